"""Keeps the roll-ups in step with the records, inside the writer's transaction.

What a batch adds is collected and written once per bucket and day that it touches. Each node's latest bucket and day
stay in memory as they stand in the ledger, since the next batch as a rule adds to the same ones; so the cost of a
roll-up does not grow with what is already in it, and nothing is read back to add to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wheelpit.store.packing import Sums, pack_sums, unpack_record, unpack_sums
from wheelpit.store.rollup import cut, summed
from wheelpit.store.stretches import dated

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable
    from datetime import date

    from wheelpit.store.days import LocalDays
    from wheelpit.store.packing import Layout, Stored
    from wheelpit.store.rollup import Part
    from wheelpit.store.tables import Layouts

_EVER_MS: Final = 1 << 62


@dataclass(slots=True)
class _Pending:
    """What a batch adds to a bucket."""

    day: date
    end_ms: int
    parts: dict[Layout, list[Part]] = field(default_factory=dict)


class _Latest:
    """The latest roll-up of each node as it stands in the ledger, its transaction included."""

    def __init__(self) -> None:
        self._held: dict[int, tuple[int, Sums]] = {}

    def get(self, source_id: int, start_ms: int) -> Sums | None:
        """Return the roll-up of a node that begins at an instant, if it is the latest one."""
        held = self._held.get(source_id)
        return held[1] if held is not None and held[0] == start_ms else None

    def keep(self, source_id: int, start_ms: int, sums: Sums) -> None:
        """Keep a roll-up, unless a later one is kept."""
        held = self._held.get(source_id)
        if held is None or held[0] <= start_ms:
            self._held[source_id] = (start_ms, sums)

    def clear(self) -> None:
        """Keep nothing: the ledger may say something else now."""
        self._held.clear()


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
        self._pending: dict[tuple[int, int], _Pending] = {}
        self._undated: dict[tuple[int, str], int] = {}
        self._latest_bucket = _Latest()
        self._latest_day = _Latest()

    def add(self, source_id: int, layout: Layout, record: Stored, end_ms: int) -> None:
        """Count a dated record in; the record is not changed afterwards."""
        for day, start, end, part in cut(self._days, record, end_ms):
            pending = self._pending.get((source_id, start))
            if pending is None:
                pending = self._pending[source_id, start] = _Pending(day, end)
            pending.parts.setdefault(layout, []).append(part)

    def add_undated(self, source_id: int, layout: Layout, record: Stored, sign: int = 1) -> None:
        """Count a record without a date in, or out again (`sign` -1) when it is dated."""
        for name, amount in zip(layout.totals, record.totals, strict=True):
            if amount:
                key = (source_id, name)
                self._undated[key] = self._undated.get(key, 0) + sign * amount

    def flush(self) -> None:
        """Write what was collected."""
        days: dict[tuple[int, date], Sums] = {}
        for (source_id, start), pending in self._pending.items():
            added = Sums()
            for layout, parts in pending.parts.items():
                added.add(summed(layout, parts))
            self._add_to_bucket(source_id, start, pending.end_ms, added)
            days.setdefault((source_id, pending.day), Sums()).add(added)
        for (source_id, day), added in days.items():
            self._add_to_day(source_id, day, added)
        self._db.executemany(
            "INSERT INTO undated (source_id, total, amount) VALUES (?, ?, ?) "
            "ON CONFLICT DO UPDATE SET amount = amount + excluded.amount",
            [(*key, amount) for key, amount in self._undated.items()],
        )
        self._pending.clear()
        self._undated.clear()

    def _add_to_bucket(self, source_id: int, start_ms: int, end_ms: int, added: Sums) -> None:
        key = (source_id, start_ms)
        packed = self._grown(
            self._latest_bucket,
            key,
            added,
            ("SELECT layout_id, body FROM bucket WHERE source_id = ? AND start_ms = ?", key),
        )
        self._db.execute(
            "INSERT OR REPLACE INTO bucket (source_id, start_ms, end_ms, layout_id, body) VALUES (?, ?, ?, ?, ?)",
            (*key, end_ms, *packed),
        )

    def _add_to_day(self, source_id: int, day: date, added: Sums) -> None:
        start_ms, end_ms = self._days.bounds(day)
        key = (source_id, day.isoformat())
        packed = self._grown(
            self._latest_day,
            (source_id, start_ms),
            added,
            ("SELECT layout_id, body FROM day WHERE source_id = ? AND day = ?", key),
        )
        self._db.execute(
            "INSERT OR REPLACE INTO day (source_id, day, start_ms, end_ms, layout_id, body) VALUES (?, ?, ?, ?, ?, ?)",
            (*key, start_ms, end_ms, *packed),
        )

    def _grown(
        self,
        latest: _Latest,
        place: tuple[int, int],
        added: Sums,
        stored: tuple[str, tuple[int, int | str]],
    ) -> tuple[int, bytes]:
        """Return layout number and body of the roll-up at a place with more added to it, and keep it if it is the latest."""
        sums = latest.get(*place)
        if sums is None:
            row = self._db.execute(*stored).fetchone()
            sums = Sums() if row is None else unpack_sums(self._layouts.layout(row[0]), row[1])
        sums.add(added)
        latest.keep(*place, sums)
        layout, body = pack_sums(sums)
        return self._layouts.number(layout), body

    def forget(self) -> None:
        """Drop what was collected and not written, and what was read: the transaction was rolled back."""
        self._pending.clear()
        self._undated.clear()
        self._latest_bucket.clear()
        self._latest_day.clear()

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
