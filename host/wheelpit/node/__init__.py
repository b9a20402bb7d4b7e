"""A node's board at the bench: its settings, its pins, what is put on it and what it tells."""
