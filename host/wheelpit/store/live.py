"""The newest live message of each node, in a small database beside the ledger.

It is a convenience for whoever watches: it is written once a second without waiting for the disk, and made anew
when it is damaged. Nothing in it is ever booked.
"""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING, Final

import msgspec

from wheelpit.contract.messages import Live
from wheelpit.store.rows import LiveRow

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FILE: Final = "live.db"
_log = logging.getLogger(__name__)
_TABLE: Final = (
    "CREATE TABLE IF NOT EXISTS live (site TEXT NOT NULL, node TEXT NOT NULL, arrived_ms INTEGER NOT NULL, "
    "payload BLOB NOT NULL, PRIMARY KEY (site, node)) STRICT, WITHOUT ROWID"
)


class LiveStore:
    """The writer of `live.db`."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection = self._open()

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path, isolation_level=None)
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute(_TABLE)
        except sqlite3.DatabaseError as error:
            connection.close()
            _log.warning(
                "%s is damaged (%s) and is made anew: it only holds the newest values", self._path, error
            )
            for name in (self._path.name, f"{self._path.name}-wal", f"{self._path.name}-shm"):
                self._path.with_name(name).unlink(missing_ok=True)
            connection = sqlite3.connect(self._path, isolation_level=None)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute(_TABLE)
        return connection

    def keep(self, site: str, newest: Mapping[str, tuple[int, bytes]]) -> None:
        """Replace the newest message of some nodes: node -> (arrival, payload that was found valid)."""
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            self._connection.executemany(
                "INSERT INTO live VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
                "arrived_ms = excluded.arrived_ms, payload = excluded.payload",
                [(site, node, arrived_ms, payload) for node, (arrived_ms, payload) in newest.items()],
            )
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Close the file."""
        self._connection.close()


class LiveReader:
    """Reads `live.db`; a file that is not there yet holds nothing."""

    def __init__(self, path: Path) -> None:
        self.path: Final = path

    def latest(self, site: str) -> list[LiveRow]:
        """Return the newest live message of each node of a site."""
        if not self.path.is_file():
            return []
        connection = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True, timeout=5.0)
        try:
            connection.execute("PRAGMA query_only = ON")
            rows = connection.execute(
                "SELECT node, arrived_ms, payload FROM live WHERE site = ? ORDER BY node", (site,)
            ).fetchall()
        except sqlite3.OperationalError as error:
            if "no such table" in str(error):  # made this moment, not filled yet
                return []
            raise
        finally:
            connection.close()
        return [
            LiveRow(node, arrived, msgspec.json.decode(payload, type=Live)) for node, arrived, payload in rows
        ]
