"""twin."""
