"""The base of every error a person is meant to read."""

from __future__ import annotations


class WheelpitError(Exception):
    """What is wrong, which value, what to do: one line each. The command line prints it and exits."""

    exit_code = 2
