"""Wheelpit: watch, account for and improve a small home-built water-wheel generator."""

from importlib.metadata import version

__version__ = version("wheelpit")
