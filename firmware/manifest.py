"""Freezes what every board runs; the board's own manifest includes this."""

# ruff: noqa: F821 - MicroPython's build gives these names

package("node")
module("main.py")
