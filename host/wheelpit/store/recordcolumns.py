"""Reads full records as columns: a year of them in seconds, where row by row would take minutes.

Only the numbers that are asked for are decoded. Only readers import this: the service must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.store.packing import PER_UNIT, RECORD_HEAD, Layout
from wheelpit.store.stretches import dated, first_from

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from wheelpit.store.reader import LedgerReader

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

_MOST_BYTES: Final = 9  # 63 bits in groups of seven
_CELLS: Final = {"mean": 0, "min": 1, "max": 2}


@dataclass(frozen=True, slots=True)
class RecordColumns:
    """Records of one node and one layout, in order of their ends; row i covers `(start_ms[i], end_ms[i]]`.

    Attributes:
        node: the node.
        start_ms, end_ms: the interval [Unix ms].
        state: the wheel's state as a place in `wheelpit.store.packing.STATES`.
        totals: what each record added; a total that the layout lacks is not there.
        values: by channel and statistic ("mean", "min", "max") in the channel's unit; not-a-number where it was not
            measured; a channel that the layout lacks is not there.

    """

    node: str
    start_ms: Whole
    end_ms: Whole
    state: Whole
    totals: dict[str, Whole]
    values: dict[tuple[str, str], Floats]


def record_columns(
    reader: LedgerReader,
    site: str,
    from_ms: int,
    to_ms: int,
    *,
    totals: Sequence[str],
    values: Sequence[tuple[str, str]] = (),
) -> Iterator[RecordColumns]:
    """Yield the dated records that reach into `(from_ms, to_ms]`, node by node, in order, some at a time.

    Of each node the last one may lie beyond: the first that ends at `to_ms` or later.

    Args:
        reader: The ledger.
        site: The site's id.
        from_ms: Where the time begins [Unix ms].
        to_ms: Where it ends.
        totals: The totals that are wanted.
        values: The channels that are wanted, each with "mean", "min" or "max".

    Raises:
        ValueError: A body in the ledger does not fit its layout.

    """
    with reader.open() as db:
        layouts = {
            number: Layout(tuple(channels.split()), tuple(names.split()))
            for number, channels, names in db.execute("SELECT layout_id, channels, totals FROM layout")
        }
        sources = db.execute(
            "SELECT source_id, node FROM site JOIN source USING (site_id) WHERE site = ? ORDER BY node",
            (site,),
        ).fetchall()
        for source_id, node in sources:
            last_ms = first_from(db, source_id, to_ms) or to_ms
            for block in dated(db, source_id, from_ms, last_ms):
                for layout_id, rows in groupby(block, key=itemgetter(2)):
                    yield _columns(node, layouts[layout_id], list(rows), totals, values)


def _columns(
    node: str,
    layout: Layout,
    rows: Sequence[tuple[int, int, int, bytes]],
    totals: Sequence[str],
    values: Sequence[tuple[str, str]],
) -> RecordColumns:
    count = len(RECORD_HEAD) + 3 * len(layout.channels) + len(layout.totals)
    body = _Bodies([row[3] for row in rows], count)
    head = {name: place for place, name in enumerate(RECORD_HEAD)}
    end_ms = np.array([row[1] for row in rows], np.int64)
    row_ms = body.column(head["row_ms"])
    first_total = len(RECORD_HEAD) + 3 * len(layout.channels)
    summed: dict[str, Whole] = {}
    for name in totals:
        if name in layout.totals:
            place = layout.totals.index(name)
            held = body.column(first_total + place)
            summed[name] = row_ms - held if layout.full[place] else held
    nulls = body.column(head["nulls"]) if values else row_ms
    shown: dict[tuple[str, str], Floats] = {}
    for channel, which in values:
        if channel not in layout.channels:
            continue
        place = layout.channels.index(channel)
        at = len(RECORD_HEAD) + 3 * place
        steps = body.column(at)
        if which == "min":
            steps = steps - body.column(at + 1)
        elif which == "max":
            steps = steps + body.column(at + 2)
        none = (nulls >> (3 * place + _CELLS[which])) & 1
        shown[channel, which] = np.where(none == 1, np.nan, steps / PER_UNIT[channel])
    return RecordColumns(
        node,
        end_ms - row_ms + body.column(head["clip_ms"]),
        end_ms,
        body.column(head["state"]),
        summed,
        shown,
    )


class _Bodies:
    """Packed bodies of one layout, of which single columns are decoded."""

    def __init__(self, bodies: Sequence[bytes], count: int) -> None:
        self._raw = np.frombuffer(b"".join(bodies), np.uint8)
        ends = np.flatnonzero(self._raw < 128)  # noqa: PLR2004 - the top bit says that more follows
        if ends.size != len(bodies) * count or ends[-1] != self._raw.size - 1:
            msg = f"{len(bodies)} packed bodies of {count} numbers each were expected, {ends.size} numbers found"
            raise ValueError(msg)
        starts = np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1))
        self._starts, self._ends = starts.reshape(-1, count), ends.reshape(-1, count)

    def column(self, place: int) -> Whole:
        """Return the numbers at a place of every body."""
        start, end = self._starts[:, place], self._ends[:, place]
        longest = int((end - start).max()) + 1
        if longest > _MOST_BYTES:
            raise ValueError("a packed number needs more than 63 bits")
        zigzag = np.zeros(start.size, np.int64)
        for number in range(longest):
            at = start + number
            group = (self._raw[np.minimum(at, end)] & 127).astype(np.int64) << (7 * number)
            zigzag |= np.where(at <= end, group, 0)
        found: Whole = (zigzag >> 1) ^ -(zigzag & 1)
        return found
