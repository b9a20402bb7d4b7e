"""The messenger's own account of what was sent to whom, in `sent.db` beside the ledger.

The ledger could be shared with a second writer, but a stuck notification must never make the service wait for a
lock, nor a full outbox grow the ledger's log; with two files each has exactly one writer.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from wheelpit.store import migrate
from wheelpit.store.alarms import Message
from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterable

FILE: Final = "sent.db"
_SCHEMA: Final = Path(__file__).resolve().parent / "schema"
# A target that is new is told what was raised while the service started, not the history of the site.
_NEW_TARGET_MS: Final = 10 * 60_000


@dataclass(frozen=True, slots=True)
class Owed:
    """A message that a target has not had. `doubtful`: it was being sent when the program was killed."""

    message: Message
    attempts: int
    doubtful: bool


class SentStore:
    """The account. Each call is one transaction, on the disk when it returns."""

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._db = sqlite3.connect(path, isolation_level=None, timeout=10)
        try:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("PRAGMA foreign_keys = ON")
            migrate.migrate(self._db, str(path), _SCHEMA)
            self._db.execute("INSERT OR IGNORE INTO progress VALUES (1, 0)")
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    @property
    def copied(self) -> int:
        """The number of the newest message that was copied from the outbox."""
        return int(self._db.execute("SELECT copied FROM progress").fetchone()[0])

    def know(self, targets: Iterable[str], now_ms: int) -> None:
        """Note targets; one that is new is owed what was made from ten minutes ago on."""
        with transaction(self._db):
            self._db.executemany(
                "INSERT OR IGNORE INTO target VALUES (?, ?)",
                [(target, now_ms - _NEW_TARGET_MS) for target in targets],
            )

    def copy(self, messages: Iterable[Message], copied: int) -> None:
        """Take messages from the outbox and owe each to every target known; one taken before stays as it is."""
        with transaction(self._db):
            for message in messages:
                self._db.execute(
                    "INSERT OR IGNORE INTO message VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (
                        message.key,
                        message.message,
                        message.step,
                        message.made_ms,
                        message.priority,
                        message.title,
                        message.body,
                    ),
                )
                self._db.execute(
                    "INSERT OR IGNORE INTO delivery (key, target)"
                    " SELECT ?1, target FROM target WHERE since_ms <= ?2",
                    (message.key, message.made_ms),
                )
            self._db.execute("UPDATE progress SET copied = ?", (copied,))

    def owed(self, target: str) -> list[Owed]:
        """Return what a target has not had, the least tried first, then the oldest first.

        That an alarm is over is not told before that it was raised.
        """
        rows = self._db.execute(
            "SELECT m.number, m.key, m.step, m.made_ms, m.priority, m.title, m.body, d.attempts, d.trying"
            " FROM delivery d JOIN message m USING (key)"
            " WHERE d.target = ? AND d.sent_ms IS NULL ORDER BY d.attempts, m.made_ms, m.number",
            (target,),
        ).fetchall()
        waiting = {row[1].rpartition("/")[0] for row in rows if row[2] == "raised"}
        return [
            Owed(Message(*row[:7]), row[7], bool(row[8]))
            for row in rows
            if row[2] == "raised" or row[1].rpartition("/")[0] not in waiting
        ]

    def trying(self, key: str, target: str) -> None:
        """Note that a message is about to be handed over."""
        self._set("UPDATE delivery SET trying = 1 WHERE key = ? AND target = ?", key, target)

    def sent(self, key: str, target: str, now_ms: int) -> None:
        """Note that a message was taken."""
        self._set(
            "UPDATE delivery SET trying = 0, attempts = attempts + 1, sent_ms = ? WHERE key = ? AND target = ?",
            now_ms,
            key,
            target,
        )

    def failed(self, key: str, target: str) -> None:
        """Note that a message was not taken: it stays owed."""
        self._set(
            "UPDATE delivery SET trying = 0, attempts = attempts + 1 WHERE key = ? AND target = ?",
            key,
            target,
        )

    def _set(self, statement: str, *values: str | int) -> None:
        with transaction(self._db):
            self._db.execute(statement, values)
