"""The node: what runs on the board. Nothing here imports the host, and only a `hal` module knows the board."""
