"""What the firmware takes from MicroPython's module of this name, for CPython."""

from typing import TypeVar

_T = TypeVar("_T")


def const(value: _T) -> _T:
    """Return the value; MicroPython's compiler puts it in place of the name."""
    return value
