"""The heads of journals and the nodes of a site, read once and written back before each commit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import msgspec

from wheelpit.store.booking import Head

if TYPE_CHECKING:
    import sqlite3


@dataclass(slots=True)
class Journal:
    """One node's store. `birth_boot` is the boot that its latest birth message named, 0 before one came."""

    journal_id: int
    name: str
    chip: str | None
    disputed_chip: str | None
    birth_boot: int
    newest: int  # the newest number that its birth message named
    closed_ms: int | None
    head: Head
    conflicts: int
    anchors: dict[int, int | None] = field(default_factory=dict)
    dirty: bool = False


@dataclass(slots=True)
class Source:
    """A node of the site, and the latest end of its dated records (0: none)."""

    source_id: int
    journal_id: int | None
    last_end_ms: int
    dirty: bool = False


class Heads:
    """What the writer must know of each journal and node of a site while it books."""

    def __init__(self, db: sqlite3.Connection, site_id: int) -> None:
        self._db = db
        self._site_id = site_id
        self._journals: dict[str, Journal] = {}
        self._sources: dict[str, Source] = {}

    def known(self, name: str) -> Journal | None:
        """Return a journal that the ledger knows, or None."""
        found = self._journals.get(name)
        if found is None:
            row = self._db.execute(
                "SELECT journal_id, chip, disputed_chip, birth, closed_ms, head_seq, booked_seq, "
                "booked_up_ms, booked_totals, conflicts FROM journal WHERE journal = ?",
                (name,),
            ).fetchone()
            if row is None:
                return None
            journal_id, chip, disputed, birth, closed_ms, head_seq, booked_seq, up_ms, totals, conflicts = row
            said: dict[str, Any] = {} if birth is None else msgspec.json.decode(birth)
            found = self._journals[name] = Journal(
                journal_id=journal_id,
                name=name,
                chip=chip,
                disputed_chip=disputed,
                birth_boot=said.get("boot", 0),
                newest=said.get("newest", 0),
                closed_ms=closed_ms,
                head=Head(head_seq, booked_seq, up_ms, msgspec.json.decode(totals, type=dict[str, int])),
                conflicts=conflicts,
            )
        return found

    def journal(self, name: str) -> Journal:
        """Return a journal, a new one if the ledger does not know it."""
        found = self.known(name)
        if found is None:
            cursor = self._db.execute("INSERT INTO journal (journal) VALUES (?)", (name,))
            journal_id = cursor.lastrowid or 0
            found = self._journals[name] = Journal(journal_id, name, None, None, 0, 0, None, Head(), 0)
        return found

    def source(self, node: str) -> Source:
        """Return a node of the site, a new one if the ledger does not know it."""
        found = self._sources.get(node)
        if found is None:
            self._db.execute(
                "INSERT OR IGNORE INTO source (site_id, node) VALUES (?, ?)", (self._site_id, node)
            )
            row = self._db.execute(
                "SELECT source_id, journal_id, coalesce(last_end_ms, 0) FROM source "
                "WHERE site_id = ? AND node = ?",
                (self._site_id, node),
            ).fetchone()
            found = self._sources[node] = Source(*row)
        return found

    def source_of_id(self, source_id: int) -> Source:
        """Return the node with a number."""
        (node,) = self._db.execute("SELECT node FROM source WHERE source_id = ?", (source_id,)).fetchone()
        return self.source(node)

    def flush(self) -> None:
        """Write back what changed."""
        for journal in self._journals.values():
            if journal.dirty:
                head = journal.head
                self._db.execute(
                    "UPDATE journal SET chip = ?, disputed_chip = ?, closed_ms = ?, head_seq = ?, "
                    "booked_seq = ?, booked_up_ms = ?, booked_totals = ?, conflicts = ? WHERE journal_id = ?",
                    (
                        journal.chip,
                        journal.disputed_chip,
                        journal.closed_ms,
                        head.seq,
                        head.booked_seq,
                        head.up_ms,
                        msgspec.json.encode(head.totals).decode(),
                        journal.conflicts,
                        journal.journal_id,
                    ),
                )
                journal.dirty = False
        for source in self._sources.values():
            if source.dirty:
                self._db.execute(
                    "UPDATE source SET journal_id = ?, last_end_ms = ? WHERE source_id = ?",
                    (source.journal_id, source.last_end_ms or None, source.source_id),
                )
                source.dirty = False

    def forget(self) -> None:
        """Drop what was read and not written, after a transaction that was rolled back."""
        self._journals.clear()
        self._sources.clear()
