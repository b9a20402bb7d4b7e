"""Bench tests: what is asked, what follows from the answers with its uncertainty, and what goes into plant.toml."""
