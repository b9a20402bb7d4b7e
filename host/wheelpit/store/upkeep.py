"""What keeps a ledger small and sound over years: old full records go, the structure is looked over.

Roll-ups stay for ever, and so do the heads, by which a record that was booked once is never booked again, also
when it comes years later. What comes late for a time whose records are gone is added to its roll-ups as ever.
"""

from __future__ import annotations

import logging
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

from wheelpit.store.tables import count

if TYPE_CHECKING:
    from pathlib import Path

KEEP_DAYS: Final = 400
_BUSY_S: Final = 10.0
# A record that follows numbers that were not stored tells in which time they lie: it stays.
_PRUNE: Final = (
    "DELETE FROM record WHERE (journal_id, seq) IN (SELECT journal_id, seq FROM dated WHERE source_id = :source "
    "AND hour <= :upto_ms / 3600000 AND end_ms <= :upto_ms AND (journal_id, seq) NOT IN (SELECT hole.journal_id, (SELECT min(seq) FROM record AS "
    "later WHERE later.journal_id = hole.journal_id AND later.seq > hole.last) FROM hole "
    "WHERE hole.source_id = :source AND hole.last < (SELECT max(seq) FROM record AS newest "
    "WHERE newest.journal_id = hole.journal_id)) LIMIT :most)"
)
_EMPTY: Final = (
    "DELETE FROM stretch WHERE source_id = :source AND hour < :upto_ms / 3600000 AND NOT EXISTS (SELECT 1 FROM record "
    "WHERE record.journal_id = stretch.journal_id AND seq BETWEEN first AND last AND end_ms IS NOT NULL)"
)

_log = logging.getLogger(__name__)


def prune(db: sqlite3.Connection, keep_days: int, most: int) -> int:
    """Delete full records older than the newest `keep_days` days of their node, inside the writer's transaction.

    Days are counted that have records, not days of the calendar: a clock that is wrong by years costs nothing.

    Args:
        db: the writer's connection.
        keep_days: how many days of full records stay, 1 or more.
        most: how many to delete at once, so that what comes in meanwhile need not wait.

    Returns:
        How many were deleted; fewer than `most` means that none is left to delete.

    Raises:
        ValueError: `keep_days` is less than 1.

    """
    if keep_days < 1:
        msg = f"keep_days {keep_days} must be 1 or more"
        raise ValueError(msg)
    done = 0
    for (source_id,) in db.execute("SELECT source_id FROM source ORDER BY source_id").fetchall():
        oldest_kept = db.execute(
            "SELECT start_ms FROM day WHERE source_id = ? ORDER BY day DESC LIMIT 1 OFFSET ?",
            (source_id, keep_days - 1),
        ).fetchone()
        if oldest_kept is None:
            continue
        values = {"source": source_id, "upto_ms": oldest_kept[0], "most": most - done}
        done += max(0, db.execute(_PRUNE, values).rowcount)
        db.execute(_EMPTY, values)
        if done >= most:
            break
    if done:
        count(db, "records_pruned", done)
    return done


def pruned(db: sqlite3.Connection) -> bool:
    """Return whether full records were ever deleted from a ledger."""
    return db.execute("SELECT amount FROM tally WHERE name = 'records_pruned'").fetchone() is not None


def fold_log(db: sqlite3.Connection) -> bool:
    """Fold the write-ahead log back and empty its file; return False if a reader is in the way just now."""
    (patience_ms,) = db.execute("PRAGMA busy_timeout").fetchone()
    db.execute("PRAGMA busy_timeout = 0")
    try:
        (busy, _, _) = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.OperationalError as error:
        _log.info("the write-ahead log is folded back later: %s", error)
        return False
    finally:
        db.execute(f"PRAGMA busy_timeout = {int(patience_ms)}")
    return not busy


def faults(path: Path) -> list[str]:
    """Return what SQLite's quick check finds wrong with a ledger, read-only, beside its writer."""
    uri = f"{path.resolve().as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)) as db:
            db.execute("PRAGMA query_only = ON")
            found = [str(line) for (line,) in db.execute("PRAGMA quick_check(10)")]
    except sqlite3.DatabaseError as error:
        return [str(error)]
    return [] if found == ["ok"] else found
