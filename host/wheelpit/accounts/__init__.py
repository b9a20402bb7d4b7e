"""accounts."""
