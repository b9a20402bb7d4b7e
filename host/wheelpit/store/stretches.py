"""Finds records by time without an index entry for each of them.

A node's records of one hour lie together in its store, so the ledger keeps one row for each hour: from which number
to which. Triggers of the schema see to that, whoever writes a record. What is found there is looked at again by its
own date, so records of another hour between them, after a clock was set, cost time and nothing else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

HOUR_MS: Final = 3_600_000  # as in the schema
_HOURS_AT_ONCE: Final = 168  # read and sorted together: a week


def first_from(db: sqlite3.Connection, source_id: int, at_ms: int) -> int | None:
    """Return when the first record of a node ended that ended at `at_ms` or later; None if none did."""
    row = db.execute(
        "SELECT end_ms FROM dated WHERE source_id = ? AND hour >= ? AND end_ms >= ? ORDER BY hour, end_ms LIMIT 1",
        (source_id, at_ms // HOUR_MS, at_ms),
    ).fetchone()
    return None if row is None else int(row[0])


def dated(
    db: sqlite3.Connection, source_id: int, from_ms: int, to_ms: int
) -> Iterator[list[tuple[int, int, int, bytes]]]:
    """Yield the records of a node that end in `(from_ms, to_ms]` as `(seq, end_ms, layout_id, body)`, in order.

    They come some days at a time, so that years need no more memory than a week.
    """
    low, high = db.execute(
        "SELECT min(hour), max(hour) FROM stretch WHERE source_id = ?", (source_id,)
    ).fetchone()
    if low is None:
        return
    begin, last = max(int(low), from_ms // HOUR_MS), min(int(high), to_ms // HOUR_MS)
    for hour in range(begin, last + 1, _HOURS_AT_ONCE):
        rows: list[Any] = db.execute(
            "SELECT seq, end_ms, layout_id, body FROM dated WHERE source_id = ? AND hour BETWEEN ? AND ? "
            "AND end_ms > ? AND end_ms <= ? ORDER BY end_ms, journal_id, seq",
            (source_id, hour, min(last, hour + _HOURS_AT_ONCE - 1), from_ms, to_ms),
        ).fetchall()
        if rows:
            yield rows
