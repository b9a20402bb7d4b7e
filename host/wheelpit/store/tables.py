"""Small tables of the ledger behind names of their own: layouts, counters, dead letters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from wheelpit.store.packing import Layout

if TYPE_CHECKING:
    import sqlite3

# Unusable messages are kept up to this much, so that a broken or hostile node cannot fill the disk.
DEAD_LETTER_BYTES: Final = 4 << 20
_ROW_BYTES: Final = 100  # what a dead letter costs beside its payload


class Layouts:
    """The layouts of the ledger, by number and by content."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._ids: dict[Layout, int] = {}
        self._layouts: dict[int, Layout] = {}

    def number(self, layout: Layout) -> int:
        """Return the number of a layout; a new one is written down."""
        found = self._ids.get(layout)
        if found is None:
            key = (" ".join(layout.channels), " ".join(layout.totals))
            self._db.execute("INSERT OR IGNORE INTO layout (channels, totals) VALUES (?, ?)", key)
            row = self._db.execute("SELECT layout_id FROM layout WHERE channels = ? AND totals = ?", key)
            found = int(row.fetchone()[0])
            self._ids[layout] = found
            self._layouts[found] = layout
        return found

    def layout(self, number: int) -> Layout:
        """Return the layout with a number."""
        found = self._layouts.get(number)
        if found is None:
            row = self._db.execute("SELECT channels, totals FROM layout WHERE layout_id = ?", (number,))
            channels, totals = row.fetchone()
            found = Layout.read(channels, totals)
            self._ids[found] = number
            self._layouts[number] = found
        return found

    def forget(self) -> None:
        """Drop what was read, after a transaction that was rolled back."""
        self._ids.clear()
        self._layouts.clear()


def count(db: sqlite3.Connection, name: str, amount: int = 1) -> None:
    """Raise a counter that never falls."""
    db.execute(
        "INSERT INTO tally (name, amount) VALUES (?, ?) "
        "ON CONFLICT DO UPDATE SET amount = amount + excluded.amount",
        (name, amount),
    )


class DeadLetters:
    """Messages that could not be used, bounded by bytes: the oldest go, the counter `dead_letters` stays."""

    def __init__(self, db: sqlite3.Connection, most_bytes: int = DEAD_LETTER_BYTES) -> None:
        self._db = db
        self._most = most_bytes
        self._held: int | None = None

    def keep(self, at_ms: int, topic: str, reason: str, payload: bytes, length: int | None = None) -> None:
        """Keep one message; `length` is its length as it came, if `payload` is only its beginning."""
        self._db.execute(
            "INSERT INTO dead_letter (at_ms, topic, reason, payload, bytes) VALUES (?, ?, ?, ?, ?)",
            (at_ms, topic, reason, payload, len(payload) if length is None else length),
        )
        count(self._db, "dead_letters")
        if self._held is None:
            row = self._db.execute(
                "SELECT coalesce(sum(length(payload) + ?), 0) FROM dead_letter", (_ROW_BYTES,)
            )
            self._held = int(row.fetchone()[0])
        else:
            self._held += len(payload) + _ROW_BYTES
        while self._held > self._most:
            letter_id, size = self._db.execute(
                "SELECT letter_id, length(payload) FROM dead_letter ORDER BY letter_id LIMIT 1"
            ).fetchone()
            self._db.execute("DELETE FROM dead_letter WHERE letter_id = ?", (letter_id,))
            self._held -= size + _ROW_BYTES

    def forget(self) -> None:
        """Drop what was read, after a transaction that was rolled back."""
        self._held = None
