"""The newest live message of each node, in a small database beside the ledger.

It is a convenience for whoever watches: it is written once a second without waiting for the disk, and made anew
when it is damaged. Nothing in it is ever booked.
"""

from __future__ import annotations

import logging
import sqlite3
from typing import TYPE_CHECKING, Any, Final

import msgspec

from wheelpit.contract.messages import Live
from wheelpit.store.rows import LiveRow, StrangerRow
from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FILE: Final = "live.db"
_log = logging.getLogger(__name__)
_TABLES: Final = (
    (
        "CREATE TABLE IF NOT EXISTS live (site TEXT NOT NULL, node TEXT NOT NULL, arrived_ms INTEGER NOT NULL, "
        "payload BLOB NOT NULL, PRIMARY KEY (site, node)) STRICT, WITHOUT ROWID"
    ),
    (
        "CREATE TABLE IF NOT EXISTS stranger (site TEXT NOT NULL, node TEXT NOT NULL, heard_ms INTEGER NOT NULL, "
        "messages INTEGER NOT NULL, PRIMARY KEY (site, node)) STRICT, WITHOUT ROWID"
    ),
)
# Whoever may publish can invent names without end; the newest are enough to be told of.
_MOST_STRANGERS: Final = 20


def _make(connection: sqlite3.Connection) -> None:
    for table in _TABLES:
        connection.execute(table)


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
            _make(connection)
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
            _make(connection)
        return connection

    def keep(self, site: str, newest: Mapping[str, tuple[int, bytes]]) -> None:
        """Replace the newest message of some nodes: node -> (arrival, payload that was found valid)."""
        with transaction(self._connection) as db:
            db.executemany(
                "INSERT INTO live VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
                "arrived_ms = excluded.arrived_ms, payload = excluded.payload",
                [(site, node, arrived_ms, payload) for node, (arrived_ms, payload) in newest.items()],
            )

    def note_strangers(self, site: str, heard: Mapping[str, int], now_ms: int) -> None:
        """Note nodes that nobody has described: node -> messages that were turned away just now."""
        with transaction(self._connection) as db:
            db.executemany(
                "INSERT INTO stranger VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
                "heard_ms = excluded.heard_ms, messages = messages + excluded.messages",
                [(site, node, now_ms, messages) for node, messages in heard.items()],
            )
            db.execute(
                "DELETE FROM stranger WHERE site = ? AND node NOT IN "
                "(SELECT node FROM stranger WHERE site = ? ORDER BY heard_ms DESC, node LIMIT ?)",
                (site, site, _MOST_STRANGERS),
            )

    def close(self) -> None:
        """Close the file."""
        self._connection.close()


class LiveReader:
    """Reads `live.db`; a file that is not there yet holds nothing."""

    def __init__(self, path: Path) -> None:
        self.path: Final = path

    def latest(self, site: str) -> list[LiveRow]:
        """Return the newest live message of each node of a site."""
        rows = self._read("SELECT node, arrived_ms, payload FROM live WHERE site = ? ORDER BY node", site)
        return [
            LiveRow(node, arrived, msgspec.json.decode(payload, type=Live)) for node, arrived, payload in rows
        ]

    def strangers(self, site: str) -> list[StrangerRow]:
        """Return the nodes of a site that nobody has described, those heard last first."""
        rows = self._read(
            "SELECT node, heard_ms, messages FROM stranger WHERE site = ? ORDER BY heard_ms DESC, node", site
        )
        return [StrangerRow(*row) for row in rows]

    def _read(self, query: str, site: str) -> list[tuple[Any, ...]]:
        if not self.path.is_file():
            return []
        connection = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True, timeout=5.0)
        try:
            connection.execute("PRAGMA query_only = ON")
            return connection.execute(query, (site,)).fetchall()
        except sqlite3.OperationalError as error:
            if "no such table" in str(error):  # made this moment, not filled yet
                return []
            raise
        finally:
            connection.close()
