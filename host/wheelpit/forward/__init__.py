"""Copies what was booked into a time series database, in a process of its own that may die at any moment."""
