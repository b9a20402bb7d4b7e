"""Ledgers of years in seconds: roll-ups, and full records if wanted, written column by column.

The service books record by record, which takes minutes for a year; that road has its own tests. What is written here is
read by the product's own readers, and `wheelpit books --from-records` finds the two forms alike.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.days import LocalDays
from wheelpit.store.heads import Heads
from wheelpit.store.ledger import Ledger
from wheelpit.store.packing import PER_UNIT, STATES, Layout, Sums, pack_sums
from wheelpit.store.tables import Layouts
from wheelpit.twin.fast.records import STATES as TWIN_STATES

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from wheelpit.plant import Plant
    from wheelpit.twin.fast.records import RecordColumns

    Whole = NDArray[np.int64]

BUCKET_MS: Final = 600_000
_RECORD: Final = (
    "INSERT INTO record (journal_id, seq, source_id, layout_id, end_ms, body) VALUES (?, ?, ?, ?, ?, ?)"
)
_BUCKET: Final = "INSERT INTO bucket (source_id, start_ms, end_ms, layout_id, body) VALUES (?, ?, ?, ?, ?)"
_DAY: Final = "INSERT INTO day (source_id, day, start_ms, end_ms, layout_id, body) VALUES (?, ?, ?, ?, ?, ?)"


class Rolled:
    """Writes one node's columns into a new ledger; the days are written when it is closed.

    Args:
        path: The ledger's file.
        plant: The plant.
        node: The node.
        raw: Whether full records are written too.
    """

    def __init__(self, path: Path, plant: Plant, node: str, *, raw: bool = False) -> None:
        self._ledger = Ledger(path, 0)
        self._local = LocalDays(plant.site.time_zone)
        self._raw = raw
        self._boot, self._before = 0, dict[str, int]()
        self._days: dict[str, tuple[int, int, Sums]] = {}
        with self._ledger.transaction() as db:
            keeper = Bookkeeper(db, plant.site.id, plant.site.time_zone)
            keeper.status(node, 0, online=True)
            keeper.flush()
            (site_id,) = db.execute("SELECT site_id FROM site WHERE site = ?", (plant.site.id,)).fetchone()
            heads = Heads(db, site_id)
            self._source = heads.source(node).source_id
            self._journal = heads.journal("f" * 16).journal_id
        self.records = 0

    def add(self, columns: RecordColumns) -> None:
        """Write some more, in order."""
        if columns.boot != self._boot:
            self._boot, self._before = columns.boot, dict.fromkeys(columns.total, 0)
        gained = {name: np.diff(column, prepend=self._before[name]) for name, column in columns.total.items()}
        self._before = {name: int(column[-1]) for name, column in columns.total.items()}
        steps = {name: _steps(column, name) for name, column in columns.mean.items()}
        with self._ledger.transaction() as db:
            layouts = Layouts(db)
            db.executemany(_BUCKET, self._buckets(columns, gained, steps, layouts))
            if self._raw:
                layout = Layout.of(columns.mean, columns.total)
                number = layouts.number(layout)
                first = columns.boot * SEQ_PER_BOOT + columns.first_n
                bodies = _bodies(columns, layout, gained, steps)
                db.executemany(
                    _RECORD,
                    (
                        (self._journal, first + place, self._source, number, end_ms, body)
                        for place, (end_ms, body) in enumerate(
                            zip(columns.end_ms.tolist(), bodies, strict=True)
                        )
                    ),
                )
        self.records += columns.size

    def _buckets(
        self, columns: RecordColumns, gained: dict[str, Whole], steps: dict[str, Whole], layouts: Layouts
    ) -> list[tuple[int, int, int, int, bytes]]:
        place = (columns.end_ms - 1) // BUCKET_MS
        begins = np.concatenate(([0], np.flatnonzero(np.diff(place)) + 1))
        counts = np.diff(np.append(begins, columns.size))
        totals = {name: np.add.reduceat(column, begins).tolist() for name, column in gained.items()}
        span = columns.span_ms
        channels: dict[str, list[list[int]]] = {}
        for name, column in steps.items():
            known = ~np.isnan(columns.mean[name])
            weight = np.add.reduceat(known * span, begins)
            summed = np.add.reduceat(np.where(known, column, 0) * span, begins)
            least = np.minimum.reduceat(np.where(known, _steps(columns.least[name], name), 1 << 40), begins)
            most = np.maximum.reduceat(np.where(known, _steps(columns.most[name], name), -(1 << 40)), begins)
            channels[name] = np.stack((weight, summed, least, most), axis=1).tolist()
        rows = []
        for number, (bucket, count) in enumerate(zip(place[begins].tolist(), counts.tolist(), strict=True)):
            sums = Sums(
                count * span,
                span,
                count,
                {name: amounts[number] for name, amounts in totals.items()},
                {name: list(cells[number]) for name, cells in channels.items() if cells[number][0]},
            )
            layout, body = pack_sums(sums)
            start = bucket * BUCKET_MS
            rows.append((self._source, start, start + BUCKET_MS, layouts.number(layout), body))
            day = self._local.bucket_ending(start + BUCKET_MS)[0]
            held = self._days.get(day.isoformat())
            if held is None:
                self._days[day.isoformat()] = (*self._local.bounds(day), sums)
            else:
                held[2].add(sums)
        return rows

    def close(self) -> None:
        """Write the days and close the file."""
        with self._ledger.transaction() as db:
            layouts = Layouts(db)
            rows = []
            for day, (start, end, sums) in self._days.items():
                layout, body = pack_sums(sums)
                rows.append((self._source, day, start, end, layouts.number(layout), body))
            db.executemany(_DAY, rows)
        self._ledger.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _steps(column: NDArray[np.float64], name: str) -> Whole:
    found: Whole = np.rint(np.nan_to_num(column) * PER_UNIT[name]).astype(np.int64)
    return found


def _bodies(
    columns: RecordColumns, layout: Layout, gained: dict[str, Whole], steps: dict[str, Whole]
) -> list[bytes]:
    """Return the packed bodies of full records, as `packing.pack_record` makes them."""
    none = np.zeros(columns.size, np.int64)
    state = np.array([STATES.index(name) for name in TWIN_STATES], np.int64)[columns.state]
    nulls, faults = none.copy(), none.copy()
    cells: list[Whole] = []
    for place, name in enumerate(layout.channels):
        known = ~np.isnan(columns.mean[name])
        nulls |= np.where(known, 0, 7) << (3 * place)
        if name in columns.fault:
            faults |= columns.fault[name].astype(np.int64) << (3 * place)
        least, most = _steps(columns.least[name], name), _steps(columns.most[name], name)
        cells += [np.where(known, one, 0) for one in (steps[name], steps[name] - least, most - steps[name])]
    row = none + columns.span_ms
    totals = [
        row - gained[name] if full else gained[name]
        for name, full in zip(layout.totals, layout.full, strict=True)
    ]
    clock = none + 1
    head = [none, columns.up_ms, row, none, none, none, clock, state, none, nulls, faults]
    return encode_rows(np.stack([*head, *cells, *totals], axis=1))


def encode_rows(values: Whole) -> list[bytes]:
    """Return each row of integers as zigzag varints, as `packing.encode` makes them."""
    zigzag = ((values << 1) ^ (values >> 63)).astype(np.uint64).ravel()
    lengths = np.ones(zigzag.size, np.int64)
    for group in range(1, 9):
        lengths += zigzag >= (1 << (7 * group))
    offsets = np.concatenate((np.zeros(1, np.int64), np.cumsum(lengths)))
    out = np.zeros(int(offsets[-1]), np.uint8)
    for group in range(int(lengths.max())):
        chosen = lengths > group
        more = np.where(lengths[chosen] > group + 1, 128, 0)
        low = (zigzag[chosen] >> np.uint64(7 * group)) & np.uint64(127)
        out[offsets[:-1][chosen] + group] = low.astype(np.int64) | more
    whole = out.tobytes()
    cuts = offsets[:: values.shape[1]].tolist()
    return [whole[begin:end] for begin, end in itertools.pairwise(cuts)]
