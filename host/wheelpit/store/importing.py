"""Books rows that came from a file: into a store of their own, so that their numbers never meet a node's.

Such a store bears the file's fingerprint as its name and `import` in place of a chip, by which imported rows are known
for ever; the same file a second time finds its own store and adds nothing.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.errors import WheelpitError
from wheelpit.store.booking import Head
from wheelpit.store.days import LocalDays
from wheelpit.store.heads import Heads
from wheelpit.store.packing import CLOCKS, PER_UNIT, STATES, Layout, Stored, pack_record, unpack_record
from wheelpit.store.summing import Summing
from wheelpit.store.tables import Layouts, count

if TYPE_CHECKING:
    import sqlite3

    from wheelpit.contract.names import Clock, WheelState

CHIP: Final = "import"


class RowsError(WheelpitError):
    """The rows cannot be booked into this ledger."""


@dataclass(slots=True)
class Row:
    """One interval of a node as a file tells it: `(start_ms, end_ms]`, channels in their units, whole totals."""

    line: int
    node: str
    start_ms: int
    end_ms: int
    span_ms: int
    dur_ms: int
    clock: Clock = "none"
    state: WheelState = "unknown"
    mean: dict[str, float] = field(default_factory=dict)
    low: dict[str, float] = field(default_factory=dict)
    high: dict[str, float] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    totals: dict[str, int] = field(default_factory=dict)


class Covered:
    """The time for which a node has records or sums already, to which nothing may be added."""

    def __init__(self, db: sqlite3.Connection, site: str, node: str, but_journal: str) -> None:
        self._starts: list[tuple[int, int]] = []
        found = db.execute(
            "SELECT source_id FROM site JOIN source USING (site_id) WHERE site = ? AND node = ?", (site, node)
        ).fetchone()
        if found is None:
            return
        layouts = Layouts(db)
        rows = db.execute(
            "SELECT seq, layout_id, end_ms, body FROM dated JOIN journal USING (journal_id) "
            "WHERE source_id = ? AND hour >= 0 AND journal <> ? ORDER BY end_ms",
            (found[0], but_journal),
        )
        for seq, layout_id, end_ms, body in rows:
            start = unpack_record(layouts.layout(layout_id), seq, body).start_ms(end_ms)
            if self._starts and self._starts[-1][1] == start:
                self._starts[-1] = (self._starts[-1][0], end_ms)
            else:
                insort(self._starts, (start, end_ms))
        # Of days whose records were deleted only sums are kept: they are covered as they stand.
        kept = db.execute(
            "SELECT end_ms FROM dated WHERE source_id = ? AND hour >= 0 ORDER BY hour, end_ms LIMIT 1",
            (found[0],),
        ).fetchone()
        if db.execute("SELECT 1 FROM tally WHERE name = 'records_pruned'").fetchone() is not None:
            for start, end in db.execute(
                "SELECT start_ms, end_ms FROM bucket WHERE source_id = ? AND end_ms <= coalesce(?, end_ms)",
                (found[0], None if kept is None else kept[0]),
            ):
                insort(self._starts, (start, end))

    def meets(self, start_ms: int, end_ms: int) -> bool:
        """Return whether some of an interval is covered."""
        at = bisect_left(self._starts, (end_ms, 0))
        return any(start < end_ms and end > start_ms for start, end in self._starts[max(0, at - 2) : at])


class Importer:
    """Books rows of one site into the ledger, inside the caller's transaction.

    Args:
        db: the ledger's connection; nobody else writes to it.
        site: the site.
        time_zone: its zone; the ledger's own must be the same.
        fingerprint: of the file and how it is read.

    """

    def __init__(self, db: sqlite3.Connection, site: str, time_zone: str, fingerprint: str) -> None:
        db.execute("INSERT OR IGNORE INTO site (site, time_zone) VALUES (?, ?)", (site, time_zone))
        site_id, had = db.execute("SELECT site_id, time_zone FROM site WHERE site = ?", (site,)).fetchone()
        if had != time_zone:
            msg = f"the days of {site} are cut in {had} in the ledger, not in {time_zone}: give the plant that it has"
            raise RowsError(msg)
        self._db = db
        self._fingerprint = fingerprint
        self._layouts = Layouts(db)
        self._summing = Summing(db, LocalDays(time_zone), self._layouts)
        self._heads = Heads(db, int(site_id))

    def journal_of(self, node: str) -> str:
        """Return the name of the store in which a node's rows of this file lie."""
        return journal_name(self._fingerprint, node)

    def book(self, rows: list[Row]) -> None:
        """Book rows in the order of the file."""
        for row in rows:
            journal = self._heads.journal(self.journal_of(row.node))
            journal.chip, journal.dirty = CHIP, True
            source = self._heads.source(row.node)
            seq = SEQ_PER_BOOT + row.line
            up_ms = journal.head.up_ms + row.end_ms - row.start_ms
            layout = Layout.of((*row.mean, *row.low, *row.high, *row.faults), row.totals)
            stored = Stored(
                seq=seq,
                first=seq,
                up_ms=up_ms,
                row_ms=row.end_ms - row.start_ms,
                clip_ms=0,
                span_ms=row.span_ms,
                dur_ms=row.dur_ms,
                clock=CLOCKS.index(row.clock),
                state=STATES.index(row.state),
                check=0,
                mean=_steps(layout, row.mean),
                low=_steps(layout, row.low),
                high=_steps(layout, row.high),
                faults=[row.faults.get(name, 0) for name in layout.channels],
                totals=[row.totals[name] for name in layout.totals],
            )
            self._summing.add(source.source_id, layout, stored, row.end_ms)
            self._db.execute(
                "INSERT INTO record (journal_id, seq, source_id, layout_id, end_ms, body) VALUES (?, ?, ?, ?, ?, ?)",
                (
                    journal.journal_id,
                    seq,
                    source.source_id,
                    self._layouts.number(layout),
                    row.end_ms,
                    pack_record(layout, stored),
                ),
            )
            journal.head = Head(seq, seq, up_ms, {})
            if row.end_ms > source.last_end_ms:
                source.last_end_ms, source.dirty = row.end_ms, True
        count(self._db, "records_imported", len(rows))
        self._summing.flush()
        self._heads.flush()


def booked_upto(db: sqlite3.Connection, fingerprint: str, node: str) -> int:
    """Return the last line of a file whose row is booked for a node already; 0 if none is."""
    row = db.execute(
        "SELECT head_seq FROM journal WHERE journal = ?", (journal_name(fingerprint, node),)
    ).fetchone()
    return 0 if row is None else max(0, int(row[0]) - SEQ_PER_BOOT)


def journal_name(fingerprint: str, node: str) -> str:
    """Return the name of a store for rows of a file: 16 hex digits, as every store has."""
    return sha256(f"{fingerprint} {node}".encode()).hexdigest()[:16]


def _steps(layout: Layout, values: dict[str, float]) -> list[int | None]:
    return [round(values[name] * PER_UNIT[name]) if name in values else None for name in layout.channels]
