"""Full records as columns of plain cells, for tables of other programs: all that a record says, decoded together.

The ledger is open only while the rows are fetched, not while they are decoded. Only readers import this: the service
must not load numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from wheelpit.store.decoded import layouts_of, sources_of
from wheelpit.store.packing import CLOCKS, FAULTS, RECORD_HEAD, STATES, Layout
from wheelpit.store.recordcolumns import CELL, STATS, values_of
from wheelpit.store.stretches import dated
from wheelpit.store.unpacking import unpack_columns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from wheelpit.store.reader import LedgerReader

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]

_HEAD: Final = {name: place for place, name in enumerate(RECORD_HEAD)}
_KEPT: Final = ("row_ms", "clip_ms", "lead_ms", "off_ms", "clock", "state")
# Node, number, end [Unix ms], layout and body.
_Row = tuple[str, int, int, int, bytes]


@dataclass(frozen=True, slots=True)
class RecordCells:
    """Records in order of their ends, a list for each column; None is what was not measured or has no fault.

    Attributes:
        node, seq: which record it is.
        start_ms, end_ms: the interval `(start_ms, end_ms]` over which the totals were added [Unix ms].
        span_ms, dur_ms: the last part of it of which the values speak, and how much of that was measured [ms].
        clock, state: as the record says.
        values: by channel and statistic ("mean", "min", "max"), in the channel's unit.
        faults: by channel.
        totals: what each record added, exact.

    """

    node: list[str]
    seq: list[int]
    start_ms: list[int]
    end_ms: list[int]
    span_ms: list[int]
    dur_ms: list[int]
    clock: list[str]
    state: list[str]
    values: dict[tuple[str, str], list[float | None]]
    faults: dict[str, list[str | None]]
    totals: dict[str, list[int | None]]


def record_cells(
    reader: LedgerReader,
    site: str,
    from_ms: int,
    to_ms: int,
    *,
    channels: Sequence[str],
    totals: Sequence[str],
) -> RecordCells:
    """Return the dated records of a site that end in `(from_ms, to_ms]`.

    A day of one node takes some tens of MB, so ask for days, not for years.

    Args:
        reader: The ledger.
        site: The site's id.
        from_ms: Where the time begins [Unix ms].
        to_ms: Where it ends.
        channels: The channels that are wanted.
        totals: The totals that are wanted.

    Raises:
        ValueError: A body in the ledger does not fit its layout.

    """
    rows: list[_Row] = []
    with reader.open() as db:
        layouts = layouts_of(db)
        for source_id, node in sources_of(db, site):
            for block in dated(db, source_id, from_ms, to_ms):
                rows += [(node, *row) for row in block]
    rows.sort(key=itemgetter(2))
    table = _Table(len(rows), channels, totals)
    of_layout = np.array([row[3] for row in rows], np.int64)
    for number, layout in layouts.items():
        at = np.flatnonzero(of_layout == number)
        if at.size:
            table.fill(layout, at, [rows[place][4] for place in at.tolist()])
    return table.cells(rows)


class _Table:
    """Columns as long as the table, into which the records of one layout after the other are put."""

    def __init__(self, count: int, channels: Sequence[str], totals: Sequence[str]) -> None:
        self._head: dict[str, Whole] = {name: np.zeros(count, np.int64) for name in _KEPT}
        self._values: dict[tuple[str, str], Floats] = {
            (name, which): np.full(count, np.nan) for name in channels for which in STATS
        }
        self._faults: dict[str, Whole] = {name: np.zeros(count, np.int64) for name in channels}
        self._totals: dict[str, Whole] = {name: np.zeros(count, np.int64) for name in totals}
        self._there: dict[str, NDArray[np.bool_]] = {name: np.zeros(count, np.bool_) for name in totals}

    def fill(self, layout: Layout, at: Whole, bodies: Sequence[bytes]) -> None:
        """Decode the bodies of a layout into the rows `at`."""
        first_total = len(RECORD_HEAD) + CELL * len(layout.channels)
        count = first_total + len(layout.totals)
        # All that is shown and what it is made from: not the check, which may be of any size.
        places = [_HEAD[name] for name in (*_KEPT, "nulls", "faults")]
        places += range(len(RECORD_HEAD), count)
        column: Mapping[int, Whole] = dict(zip(places, unpack_columns(bodies, count, places), strict=True))
        for name, cells in self._head.items():
            cells[at] = column[_HEAD[name]]
        for place, channel in enumerate(layout.channels):
            if channel in self._faults:
                self._faults[channel][at] = column[_HEAD["faults"]] >> (3 * place) & 7
                for which in STATS:
                    self._values[channel, which][at] = values_of(column, place, channel, which)
        row_ms = column[_HEAD["row_ms"]]
        for place, (name, full) in enumerate(zip(layout.totals, layout.full, strict=True)):
            if name in self._totals:
                amount = column[first_total + place]
                self._totals[name][at] = row_ms - amount if full else amount
                self._there[name][at] = True

    def cells(self, rows: Sequence[_Row]) -> RecordCells:
        """Return the table as plain cells."""
        head = self._head
        end_ms = np.array([row[2] for row in rows], np.int64)
        span_ms = head["row_ms"] - head["lead_ms"]
        fault: list[str | None] = [None, *FAULTS]
        return RecordCells(
            node=[row[0] for row in rows],
            seq=[row[1] for row in rows],
            start_ms=(end_ms - head["row_ms"] + head["clip_ms"]).tolist(),
            end_ms=end_ms.tolist(),
            span_ms=span_ms.tolist(),
            dur_ms=(span_ms - head["off_ms"]).tolist(),
            clock=[CLOCKS[code] for code in head["clock"].tolist()],
            state=[STATES[code] for code in head["state"].tolist()],
            values={key: _plain(cells, np.isnan(cells)) for key, cells in self._values.items()},
            faults={name: [fault[code] for code in cells.tolist()] for name, cells in self._faults.items()},
            totals={name: _plain(cells, ~self._there[name]) for name, cells in self._totals.items()},
        )


def _plain(cells: NDArray[Any], missing: NDArray[np.bool_]) -> list[Any]:
    """Return numbers of Python's own, None where one is missing."""
    if not missing.any():
        return list(cells.tolist())
    plain = cells.astype(object)
    plain[missing] = None
    return list(plain.tolist())
