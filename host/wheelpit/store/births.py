"""Which board has which store: takes birth messages, ends and opens disputes, closes what a board left behind.

A store belongs to one chip. When a second chip announces it, a flash image was copied to another board; both
would then count on under the same numbers, and what one of them measured would look like a repetition. So
nothing of that store is booked, the nodes keep their records, and the dispute ends when one of the two chips
comes with another store.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import msgspec

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import Hole, boot_of
from wheelpit.store.tables import count

if TYPE_CHECKING:
    import sqlite3

    from wheelpit.contract.messages import Birth
    from wheelpit.store.heads import Heads, Journal

_log = logging.getLogger(__name__)


def take_birth(db: sqlite3.Connection, heads: Heads, node: str, birth: Birth, now_ms: int) -> Journal:
    """Take a birth message; inside the writer's transaction."""
    journal = heads.journal(birth.journal)
    _settle(db, heads, birth, now_ms)
    if journal.chip is None:
        journal.chip = birth.chip
    elif journal.chip != birth.chip and journal.disputed_chip is None:
        journal.disputed_chip = birth.chip
        count(db, "disputes")
        _log.error(
            "two boards, chips %s and %s, send the store %s: nothing of it is booked until one of them begins a "
            "new store (empty the store folder of the board that has the copy)",
            journal.chip,
            birth.chip,
            birth.journal,
        )
    journal.birth_boot = max(journal.birth_boot, birth.boot)
    journal.newest = birth.newest
    journal.dirty = True
    source = heads.source(node)
    source.journal_id, source.dirty = journal.journal_id, True
    db.execute(
        "UPDATE journal SET birth = ?, birth_ms = ? WHERE journal_id = ?",
        (msgspec.json.encode(birth), now_ms, journal.journal_id),
    )
    return journal


def _settle(db: sqlite3.Connection, heads: Heads, birth: Birth, now_ms: int) -> None:
    """A chip that comes with one store no longer has another."""
    others = db.execute(
        "SELECT journal FROM journal WHERE journal <> ? AND closed_ms IS NULL AND ? IN (chip, disputed_chip)",
        (birth.journal, birth.chip),
    ).fetchall()
    if others:
        heads.flush()  # so that the node that had the store is found by it
    for (name,) in others:
        other = heads.journal(name)
        other.dirty = True
        if other.disputed_chip is not None:
            if other.chip == birth.chip:
                other.chip = other.disputed_chip
            other.disputed_chip = None
            _log.warning("store %s belongs to chip %s again and is booked", name, other.chip)
        else:
            _close(db, other, now_ms)


def _close(db: sqlite3.Connection, journal: Journal, now_ms: int) -> None:
    """What the node announced and never sent will not come any more: say so."""
    journal.closed_ms = now_ms
    first = max(journal.head.seq, boot_of(journal.newest) * SEQ_PER_BOOT) + 1
    source = db.execute("SELECT source_id FROM source WHERE journal_id = ?", (journal.journal_id,)).fetchone()
    if first <= journal.newest and source is not None:
        hole = Hole(first, journal.newest, "gap", "the node's store was made anew before they were sent")
        write_hole(db, journal.journal_id, source[0], hole, now_ms)


def reopen(db: sqlite3.Connection, journal: Journal) -> None:
    """A store that was taken for gone sends again: what was declared lost with it comes after all."""
    journal.closed_ms, journal.dirty = None, True
    db.execute("DELETE FROM hole WHERE journal_id = ? AND first > ?", (journal.journal_id, journal.head.seq))


def write_hole(db: sqlite3.Connection, journal_id: int, source_id: int, hole: Hole, now_ms: int) -> None:
    """Write down numbers that are not stored."""
    db.execute(
        "INSERT INTO hole (journal_id, first, last, source_id, kind, reason, made_ms) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (journal_id, hole.first, hole.last, source_id, hole.kind, hole.reason, now_ms),
    )
    name = "records_refused" if hole.kind == "refused" else "records_in_gaps"
    count(db, name, hole.last - hole.first + 1)
