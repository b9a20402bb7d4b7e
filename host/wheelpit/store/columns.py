"""Decodes many packed bodies at once, for figures over months and years.

Only readers import this: the service must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.store.packing import PER_UNIT, ROLLUP_HEAD, Layout

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

_MOST_BYTES: Final = 9  # 63 bits in groups of seven


def unpack_columns(bodies: Sequence[bytes], count: int) -> NDArray[np.int64]:
    """Return the numbers of bodies of one layout, a row for each body of `count` numbers.

    Raises:
        ValueError: a body has another count of numbers, or one of them needs more than 63 bits.

    """
    if not bodies:
        return np.zeros((0, count), np.int64)
    raw = np.frombuffer(b"".join(bodies), np.uint8)
    ends = np.flatnonzero(raw < 128)  # noqa: PLR2004 - the top bit says that more follows
    if len(ends) != len(bodies) * count or ends[-1] != len(raw) - 1:
        msg = f"{len(bodies)} packed bodies of {count} numbers each were expected, {len(ends)} numbers found"
        raise ValueError(msg)
    starts = np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1))
    lengths = ends - starts + 1
    if lengths.max() > _MOST_BYTES:
        raise ValueError("a packed number needs more than 63 bits")
    place = np.arange(len(raw)) - np.repeat(starts, lengths)
    groups = (raw & 127).astype(np.uint64) << (7 * place).astype(np.uint64)
    zigzag = np.add.reduceat(groups, starts)
    values = (zigzag >> np.uint64(1)).astype(np.int64) ^ -(zigzag & np.uint64(1)).astype(np.int64)
    return values.reshape(len(bodies), count)


@dataclass(frozen=True, slots=True)
class BucketColumns:
    """Totals of 10-minute buckets as columns: `totals[name][i]` belongs to `(start_ms[i], end_ms[i]]`.

    A total that no record of a bucket has is 0 there. Of the channels that were asked for, `mean` is in the channel's
    unit, not-a-number where `valid_ms`, the time in which it was measured, is 0.
    """

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    totals: dict[str, NDArray[np.int64]]
    valid_ms: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    mean: dict[str, NDArray[np.float64]] = field(default_factory=dict)


def bucket_columns(
    layouts: dict[int, Layout],
    rows: Iterable[tuple[int, int, int, bytes]],
    names: Sequence[str],
    channels: Sequence[str] = (),
) -> BucketColumns:
    """Return some totals and channels of bucket rows `(start_ms, end_ms, layout_id, body)`.

    Those of several nodes are added up; a channel's mean weighs the time in which each measured it.
    """
    by_layout: dict[int, list[tuple[int, int, bytes]]] = {}
    ends: dict[int, int] = {}
    for start, end, layout_id, body in rows:
        by_layout.setdefault(layout_id, []).append((start, end, body))
        ends[start] = end
    starts = np.array(sorted(ends), np.int64)
    totals = {name: np.zeros(len(starts), np.int64) for name in names}
    valid_ms = {name: np.zeros(len(starts), np.int64) for name in channels}
    sums = {name: np.zeros(len(starts)) for name in channels}
    for layout_id, found in by_layout.items():
        layout = layouts[layout_id]
        first_total = len(ROLLUP_HEAD) + 4 * len(layout.channels)
        values = unpack_columns([body for _, _, body in found], first_total + len(layout.totals))
        at = np.searchsorted(starts, [start for start, _, _ in found])
        for name in names:
            if name in layout.totals:
                np.add.at(totals[name], at, values[:, first_total + layout.totals.index(name)])
        for name in channels:
            if name in layout.channels:
                place = len(ROLLUP_HEAD) + 4 * layout.channels.index(name)
                np.add.at(valid_ms[name], at, values[:, place])
                np.add.at(sums[name], at, values[:, place + 1] / PER_UNIT[name])
    return BucketColumns(
        starts,
        np.array([ends[start] for start in starts.tolist()], np.int64),
        totals,
        valid_ms,
        {
            name: np.where(valid_ms[name] > 0, sums[name] / np.maximum(valid_ms[name], 1), np.nan)
            for name in channels
        },
    )
