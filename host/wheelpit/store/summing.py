"""Keeps the roll-ups in step with the records, inside the writer's transaction.

What a batch adds is collected and written once per bucket and day that it touches, so the cost of a roll-up does
not grow with what is already in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.store.packing import Sums, pack_sums, unpack_record, unpack_sums
from wheelpit.store.rollup import cut
from wheelpit.store.stretches import dated

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable
    from datetime import date

    from wheelpit.store.days import LocalDays
    from wheelpit.store.packing import Layout, Stored
    from wheelpit.store.tables import Layouts

_EVER_MS: Final = 1 << 62


class Summing:
    """The roll-ups of one site.

    Args:
        db: the writer's connection; every method runs inside its transaction.
        days: the site's local days.
        layouts: the ledger's layouts.

    """

    def __init__(self, db: sqlite3.Connection, days: LocalDays, layouts: Layouts) -> None:
        self._db = db
        self._days = days
        self._layouts = layouts
        self._buckets: dict[tuple[int, int], tuple[date, int, Sums]] = {}
        self._undated: dict[tuple[int, str], int] = {}

    def add(self, source_id: int, layout: Layout, record: Stored, end_ms: int) -> None:
        """Count a dated record in."""
        for day, start, end, part in cut(self._days, layout, record, end_ms):
            held = self._buckets.get((source_id, start))
            if held is None:
                self._buckets[source_id, start] = (day, end, part)
            else:
                held[2].add(part)

    def add_undated(self, source_id: int, layout: Layout, record: Stored, sign: int = 1) -> None:
        """Count a record without a date in, or out again (`sign` -1) when it is dated."""
        for name, amount in zip(layout.totals, record.totals, strict=True):
            if amount:
                key = (source_id, name)
                self._undated[key] = self._undated.get(key, 0) + sign * amount

    def flush(self) -> None:
        """Write what was collected."""
        days: dict[tuple[int, date], Sums] = {}
        for (source_id, start), (day, end, added) in self._buckets.items():
            row = self._db.execute(
                "SELECT layout_id, body FROM bucket WHERE source_id = ? AND start_ms = ?", (source_id, start)
            ).fetchone()
            layout_id, body = self._joined(row, added)
            self._db.execute(
                "INSERT OR REPLACE INTO bucket (source_id, start_ms, end_ms, layout_id, body) "
                "VALUES (?, ?, ?, ?, ?)",
                (source_id, start, end, layout_id, body),
            )
            days.setdefault((source_id, day), Sums()).add(added)
        for (source_id, day), added in days.items():
            key = (source_id, day.isoformat())
            row = self._db.execute(
                "SELECT layout_id, body FROM day WHERE source_id = ? AND day = ?", key
            ).fetchone()
            layout_id, body = self._joined(row, added)
            self._db.execute(
                "INSERT OR REPLACE INTO day (source_id, day, start_ms, end_ms, layout_id, body) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (*key, *self._days.bounds(day), layout_id, body),
            )
        self._db.executemany(
            "INSERT INTO undated (source_id, total, amount) VALUES (?, ?, ?) "
            "ON CONFLICT DO UPDATE SET amount = amount + excluded.amount",
            [(*key, amount) for key, amount in self._undated.items()],
        )
        self.forget()

    def _joined(self, row: tuple[int, bytes] | None, added: Sums) -> tuple[int, bytes]:
        sums = added
        if row is not None:
            sums = unpack_sums(self._layouts.layout(row[0]), row[1])
            sums.add(added)
        layout, body = pack_sums(sums)
        return self._layouts.number(layout), body

    def forget(self) -> None:
        """Drop what was collected and not written."""
        self._buckets.clear()
        self._undated.clear()

    def rebuild(self, site_id: int, say: Callable[[int], None]) -> None:
        """Make the roll-ups of a site anew from its records; `say` is told how many were counted.

        Needed when the site's time zone changed: its days are cut elsewhere then.
        """
        self.forget()
        done = 0
        for (source_id,) in self._db.execute(
            "SELECT source_id FROM source WHERE site_id = ? ORDER BY source_id", (site_id,)
        ).fetchall():
            self._db.execute("DELETE FROM bucket WHERE source_id = ?", (source_id,))
            self._db.execute("DELETE FROM day WHERE source_id = ?", (source_id,))
            for block in dated(self._db, source_id, 0, _EVER_MS):
                for seq, end_ms, layout_id, body in block:
                    layout = self._layouts.layout(layout_id)
                    self.add(source_id, layout, unpack_record(layout, seq, body), end_ms)
                self.flush()
                done += len(block)
                say(done)
