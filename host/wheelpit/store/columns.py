"""Roll-ups as columns, for figures over months and years: no object for each of them, all decoded together.

Those of several nodes are added up, in integers; a channel's mean weighs the time in which each measured it. Only readers
import this: the service must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from wheelpit.store.packing import PER_UNIT, ROLLUP_HEAD, Layout
from wheelpit.store.unpacking import SUMS_CELL, unpack_columns

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]


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


class _Sums:
    """Roll-ups of several nodes and layouts, added up by the place of their time."""

    def __init__(self, size: int, totals: Iterable[str], channels: Iterable[str]) -> None:
        self.totals = {name: np.zeros(size, np.int64) for name in totals}
        self.valid_ms = {name: np.zeros(size, np.int64) for name in channels}
        self._steps_ms = {name: np.zeros(size, np.int64) for name in self.valid_ms}

    def add(self, layout: Layout, bodies: Sequence[bytes], at: Whole) -> None:
        """Add roll-ups of one layout at some places."""
        into: list[tuple[Whole, int]] = []
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
        for (column, _), found in zip(into, values, strict=True):
            if once:
                column[at] += found
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
    sums = _Sums(start_ms.size, names, channels)
    for layout_id, chosen in _by_layout([row[2] for row in rows]):
        sums.add(layouts[layout_id], [rows[number][3] for number in chosen.tolist()], at[chosen])
    return BucketColumns(start_ms, end_ms, sums.totals, sums.valid_ms, sums.means())


def _places(starts: list[int], ends: list[int]) -> tuple[Whole, Whole, Whole]:
    """Return the times that there are, the place of each row among them, and where they end."""
    begins, upto = np.array(starts, np.int64), np.array(ends, np.int64)
    if (np.diff(begins) > 0).all():  # of one node, in order
        return begins, np.arange(begins.size), upto
    start_ms, first, at = np.unique(begins, return_index=True, return_inverse=True)
    return start_ms, at, upto[first]


def _by_layout(numbers: list[int]) -> list[tuple[int, Whole]]:
    of_row = np.array(numbers, np.int64)
    return [(number, np.flatnonzero(of_row == number)) for number in np.unique(of_row).tolist()]
