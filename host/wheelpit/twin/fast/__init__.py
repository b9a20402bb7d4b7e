"""The fast twin: a year of a node's records with the truth behind them, in seconds, by whole arrays."""
