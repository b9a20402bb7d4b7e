"""Cumulative totals over Unix time, so that any stretch of the past can be asked for.

Every mark of the last hour is kept, of the time before it one in twenty, of what is older than three days none: the
memory has a bound. Between marks the totals are taken to grow evenly.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from typing import TYPE_CHECKING, Final

from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Sequence

_FINE: Final = 72_000  # an hour of 20 marks a second
_EVERY: Final = 20
_COARSE: Final = 259_200  # three days of one mark a second
_LUMP: Final = 2_000  # moved from fine to coarse at once; a multiple of _EVERY


class _Marks:
    """Rows of one Unix time [us] and some values, packed."""

    def __init__(self, width: int) -> None:
        self.at_us = array("q")
        self.values = array("d")
        self.width = width

    def __len__(self) -> int:
        return len(self.at_us)

    def add(self, at_us: int, values: Sequence[float]) -> None:
        self.at_us.append(at_us)
        self.values.extend(values)

    def row(self, number: int) -> Sequence[float]:
        return self.values[number * self.width : (number + 1) * self.width]

    def drop(self, count: int) -> None:
        del self.at_us[:count]
        del self.values[: count * self.width]


class Series:
    """Marks of cumulative totals, in order of time.

    Args:
        width: How many totals a mark has.
    """

    def __init__(self, width: int) -> None:
        self._width = width
        self._fine = _Marks(width)
        self._coarse = _Marks(width)

    def __len__(self) -> int:
        return len(self._fine) + len(self._coarse)

    @property
    def first_us(self) -> int:
        """Unix time of the oldest mark [us]."""
        return (self._coarse if len(self._coarse) else self._fine).at_us[0]

    @property
    def last_us(self) -> int:
        """Unix time of the newest mark [us]."""
        return self._fine.at_us[-1]

    def add(self, at_us: int, values: Sequence[float]) -> None:
        """Add a mark.

        Args:
            at_us: Unix time [us]. Where the system's clock was put back, the mark follows the newest one at
                once: totals never go back.
            values: The totals, as many as the series is wide.
        """
        if len(self._fine) and at_us <= self.last_us:
            at_us = self.last_us + 1
        self._fine.add(at_us, values)
        if len(self._fine) >= _FINE + _LUMP:
            for number in range(0, _LUMP, _EVERY):
                self._coarse.add(self._fine.at_us[number], self._fine.row(number))
            self._fine.drop(_LUMP)
            if len(self._coarse) >= _COARSE + _LUMP:
                self._coarse.drop(_LUMP)

    def between(self, from_us: int, to_us: int) -> list[float]:
        """Return what each total grew by between two Unix times.

        Args:
            from_us: Beginning [us].
            to_us: End [us].

        Raises:
            TwinError: The end is before the beginning, or one of them is outside what is kept.
        """
        if to_us < from_us:
            msg = f"from {from_us // 1000} to {to_us // 1000} ms: the end is before the beginning"
            raise TwinError(msg)
        for at_us in (from_us, to_us):
            if not self.first_us <= at_us <= self.last_us:
                first_ms, last_ms = -(-self.first_us // 1000), self.last_us // 1000
                msg = f"{at_us // 1000} ms: the twin knows {first_ms} to {last_ms} ms only"
                raise TwinError(msg)
        return [end - begin for begin, end in zip(self._at(from_us), self._at(to_us), strict=True)]

    def _at(self, at_us: int) -> list[float]:
        marks = self._fine
        if len(self._coarse) and at_us < marks.at_us[0]:
            marks = self._coarse
        number = bisect_right(marks.at_us, at_us) - 1
        left_us, left = marks.at_us[number], marks.row(number)
        if number + 1 < len(marks):
            right_us, right = marks.at_us[number + 1], marks.row(number + 1)
        elif marks is self._coarse:
            right_us, right = self._fine.at_us[0], self._fine.row(0)
        else:
            return list(left)
        share = (at_us - left_us) / (right_us - left_us)
        return [a + share * (b - a) for a, b in zip(left, right, strict=True)]
