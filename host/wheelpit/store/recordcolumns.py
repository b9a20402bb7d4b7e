"""Reads full records as columns: a year of them in seconds, where row by row would take minutes.

Only the numbers that are asked for are decoded. Only readers import this: the service must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.store.decoded import layouts_of, sources_of
from wheelpit.store.packing import PER_UNIT, RECORD_HEAD, Layout
from wheelpit.store.stretches import dated, first_from
from wheelpit.store.unpacking import unpack_columns

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from wheelpit.store.reader import LedgerReader

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

STATS: Final = {"mean": 0, "min": 1, "max": 2}  # the numbers of a channel, in order
CELL: Final = len(STATS)


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
        layouts = layouts_of(db)
        for source_id, node in sources_of(db, site):
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
    head = {name: place for place, name in enumerate(RECORD_HEAD)}
    count = len(RECORD_HEAD) + CELL * len(layout.channels) + len(layout.totals)
    first_total = count - len(layout.totals)
    of_total = {name: first_total + place for place, name in enumerate(layout.totals) if name in totals}
    of_channel = {name: len(RECORD_HEAD) + CELL * place for place, name in enumerate(layout.channels)}
    shown = [(channel, which) for channel, which in values if channel in of_channel]
    places = {head[name] for name in ("row_ms", "clip_ms", "state")} | set(of_total.values())
    if shown:
        places |= {head["nulls"]}
        places |= {of_channel[channel] + STATS[which] for channel, which in shown}
        places |= {of_channel[channel] for channel, _ in shown}
    wanted = sorted(places)
    column = dict(zip(wanted, unpack_columns([row[3] for row in rows], count, wanted), strict=True))
    end_ms, row_ms = np.array([row[1] for row in rows], np.int64), column[head["row_ms"]]
    summed = {
        name: row_ms - column[at] if layout.full[at - first_total] else column[at]
        for name, at in of_total.items()
    }
    found: dict[tuple[str, str], Floats] = {}
    for channel, which in shown:
        place = layout.channels.index(channel)
        found[channel, which] = values_of(column, place, channel, which)
    return RecordColumns(
        node, end_ms - row_ms + column[head["clip_ms"]], end_ms, column[head["state"]], summed, found
    )


def values_of(column: Mapping[int, Whole], place: int, channel: str, which: str) -> Floats:
    """Return a statistic of a channel in its unit, not-a-number where it was not measured.

    Args:
        column: Decoded numbers by their places; `nulls`, the channel's mean and this statistic are among them.
        place: Which channel of the layout it is.
        channel: Its name.
        which: "mean", "min" or "max".

    """
    at = len(RECORD_HEAD) + CELL * place
    steps = column[at]
    if which == "min":
        steps = steps - column[at + STATS["min"]]
    elif which == "max":
        steps = steps + column[at + STATS["max"]]
    none = (column[RECORD_HEAD.index("nulls")] >> (CELL * place + STATS[which])) & 1
    return np.where(none == 1, np.nan, steps / PER_UNIT[channel])
