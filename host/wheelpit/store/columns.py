"""Roll-ups as columns, for figures over months and years: no object for each of them, all decoded together.

Those of several nodes are added up, in integers; a channel's mean weighs the time in which each measured it. Only readers
import this: the service must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.store.packing import PER_UNIT, ROLLUP_HEAD, Layout
from wheelpit.store.unpacking import SUMS_CELL, unpack_columns

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from wheelpit.store.rows import ChannelStat, DayRow

    Flags = NDArray[np.bool_]
    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

_LONGEST: Final = ("span_ms", "longest_ms")  # of several nodes over one period that of the longest counts


@dataclass(frozen=True, slots=True)
class BucketColumns:
    """Totals of 10-minute buckets as columns: `totals[name][i]` belongs to `(start_ms[i], end_ms[i]]`.

    A total that no record of a bucket has is 0 there. Of the channels that were asked for, `mean` is in the channel's
    unit, not-a-number where `valid_ms`, the time in which it was measured, is 0.
    """

    start_ms: Whole
    end_ms: Whole
    totals: dict[str, Whole]
    valid_ms: dict[str, Whole] = field(default_factory=dict)
    mean: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DayColumns:
    """Local days that have records, in order, as columns; `totals[name][i]` belongs to `days[i]`.

    Attributes:
        days: The dates.
        start_ms, end_ms: Where each begins and ends [Unix ms].
        span_ms: How much of it records cover [ms].
        longest_record_ms: The longest record that reaches into it [ms].
        totals: What was added in it; 0 where no record of it has such a total.
        told: Where one has, by the same names.
        valid_ms: How long each channel was measured in it [ms].
        mean: The channels' means over that time, each in its unit; not-a-number where there was none.

    """

    days: tuple[date, ...]
    start_ms: Whole
    end_ms: Whole
    span_ms: Whole
    longest_record_ms: Whole
    totals: dict[str, Whole]
    told: dict[str, Flags]
    valid_ms: dict[str, Whole]
    mean: dict[str, Floats]

    def total(self, name: str) -> Whole:
        """Return a total, also one that no day has: nothing."""
        found = self.totals.get(name)
        return np.zeros_like(self.start_ms) if found is None else found

    def measured(self, channel: str) -> Whole:
        """Return for how long a channel was measured, also one that no day has [ms]."""
        found = self.valid_ms.get(channel)
        return np.zeros_like(self.start_ms) if found is None else found


class _Sums:
    """Roll-ups of several nodes and layouts, added up by the place of their time."""

    def __init__(
        self, size: int, totals: Iterable[str], channels: Iterable[str], heads: Iterable[str] = ()
    ) -> None:
        self._size = size
        self.longest = {name: np.zeros(size, np.int64) for name in heads}
        self.totals = {name: np.zeros(size, np.int64) for name in totals}
        self.valid_ms = {name: np.zeros(size, np.int64) for name in channels}
        self._steps_ms = {name: np.zeros(size, np.int64) for name in self.valid_ms}

    def add(self, layout: Layout, bodies: Sequence[bytes], at: Whole) -> None:
        """Add roll-ups of one layout at some places."""
        into = [(column, ROLLUP_HEAD.index(name)) for name, column in self.longest.items()]
        first = len(ROLLUP_HEAD) + SUMS_CELL * len(layout.channels)
        for place, name in enumerate(layout.totals, first):
            if name in self.totals:
                into.append((self.totals[name], place))
        for place, name in enumerate(layout.channels):
            if name in self.valid_ms:
                cell = len(ROLLUP_HEAD) + SUMS_CELL * place
                into += [(self.valid_ms[name], cell), (self._steps_ms[name], cell + 1)]
        values = unpack_columns(bodies, first + len(layout.totals), [place for _, place in into])
        once = bool((np.diff(at) > 0).all())
        # Where every place has one, nothing is looked up.
        each = slice(None) if once and at.size == self._size else at
        for number, ((column, _), found) in enumerate(zip(into, values, strict=True)):
            if number < len(self.longest):
                np.maximum.at(column, at, found)
            elif once:
                column[each] += found
            else:
                np.add.at(column, at, found)

    def means(self) -> dict[str, Floats]:
        """Return the channels' means, each in its unit."""
        found: dict[str, Floats] = {}
        for name, valid_ms in self.valid_ms.items():
            mean = self._steps_ms[name] / np.maximum(valid_ms, 1)
            mean /= PER_UNIT[name]
            mean[valid_ms == 0] = np.nan
            found[name] = mean
        return found


def bucket_columns(
    layouts: dict[int, Layout],
    rows: Sequence[tuple[int, int, int, bytes]],
    names: Iterable[str],
    channels: Iterable[str] = (),
) -> BucketColumns:
    """Return some totals and channels of bucket rows `(start_ms, end_ms, layout_id, body)`."""
    start_ms, at, end_ms = _places([row[0] for row in rows], [row[1] for row in rows])
    bodies = [row[3] for row in rows]
    sums = _Sums(start_ms.size, names, channels)
    for layout_id, chosen in _by_layout([row[2] for row in rows]):
        sums.add(layouts[layout_id], _some(bodies, chosen), at[chosen])
    return BucketColumns(start_ms, end_ms, sums.totals, sums.valid_ms, sums.means())


def day_columns(layouts: dict[int, Layout], rows: Sequence[tuple[str, int, int, int, bytes]]) -> DayColumns:
    """Return all totals and channels of day rows `(day, start_ms, end_ms, layout_id, body)` in order of their days."""
    days = {of: place for place, of in enumerate(dict.fromkeys(row[:3] for row in rows))}
    at = np.array([days[row[:3]] for row in rows], np.int64)
    bodies = [row[4] for row in rows]
    of_layout = _by_layout([row[3] for row in rows])
    used = [layouts[layout_id] for layout_id, _ in of_layout]
    totals = dict.fromkeys(name for layout in used for name in layout.totals)
    channels = dict.fromkeys(name for layout in used for name in layout.channels)
    told = {name: np.zeros(len(days), bool) for name in totals}
    sums = _Sums(len(days), totals, channels, _LONGEST)
    for layout_id, chosen in of_layout:
        layout, places = layouts[layout_id], at[chosen]
        sums.add(layout, _some(bodies, chosen), places)
        for name in layout.totals:
            told[name][places] = True
    return DayColumns(
        tuple(date.fromisoformat(day) for day, _, _ in days),
        np.array([start_ms for _, start_ms, _ in days], np.int64),
        np.array([end_ms for _, _, end_ms in days], np.int64),
        sums.longest["span_ms"],
        sums.longest["longest_ms"],
        sums.totals,
        told,
        sums.valid_ms,
        sums.means(),
    )


def columns_of_days(rows: Sequence[DayRow]) -> DayColumns:
    """Return day rows as columns, from a store that has no packed ones."""

    def whole(values: Iterable[int]) -> Whole:
        return np.array(list(values), np.int64)

    totals = dict.fromkeys(name for row in rows for name in row.totals)
    channels = dict.fromkeys(name for row in rows for name in row.channels)
    stats: dict[str, list[ChannelStat | None]] = {
        name: [row.channels.get(name) for row in rows] for name in channels
    }
    return DayColumns(
        tuple(row.day for row in rows),
        whole(row.start_ms for row in rows),
        whole(row.end_ms for row in rows),
        whole(row.span_ms for row in rows),
        whole(row.longest_record_ms for row in rows),
        {name: whole(row.totals.get(name, 0) for row in rows) for name in totals},
        {name: np.array([name in row.totals for row in rows], bool) for name in totals},
        {name: whole(0 if stat is None else stat.valid_ms for stat in of) for name, of in stats.items()},
        {
            name: np.array([np.nan if stat is None else stat.mean for stat in of], np.float64)
            for name, of in stats.items()
        },
    )


def _places(starts: list[int], ends: list[int]) -> tuple[Whole, Whole, Whole]:
    """Return the times that there are, the place of each row among them, and where they end."""
    begins, upto = np.array(starts, np.int64), np.array(ends, np.int64)
    if (np.diff(begins) > 0).all():  # of one node, in order
        return begins, np.arange(begins.size), upto
    start_ms, first, at = np.unique(begins, return_index=True, return_inverse=True)
    return start_ms, at, upto[first]


def _some(bodies: list[bytes], chosen: Whole) -> list[bytes]:
    return bodies if chosen.size == len(bodies) else [bodies[number] for number in chosen.tolist()]


def _by_layout(numbers: list[int]) -> list[tuple[int, Whole]]:
    of_row = np.array(numbers, np.int64)
    return [(number, np.flatnonzero(of_row == number)) for number in np.unique(of_row).tolist()]
