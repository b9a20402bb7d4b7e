"""The ledger's file and its one writer.

Only the service opens it for writing; everybody else reads through `wheelpit.store.reader`. A commit is on the
disk when it returns (`synchronous=FULL`), so what was receipted survives a power cut of an honest disk.
"""

from __future__ import annotations

import logging
import secrets
import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

from wheelpit.errors import WheelpitError
from wheelpit.store import migrate
from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FILE: Final = "ledger.db"
_BUSY_S: Final = 10.0
# The write-ahead log is folded back at 16 MiB: small commits rewrite the same pages again and again, and each
# fold writes them once.
_CHECKPOINT_PAGES: Final = 4000
_PAGE_BYTES: Final = 4096

_log = logging.getLogger(__name__)


class LedgerDamaged(WheelpitError):  # noqa: N818 - an error that names a state reads as one
    """The file is not a ledger, or SQLite found it damaged."""


class LedgerRefused(WheelpitError):  # noqa: N818 - as above
    """The system does not let the file be opened or written; it may be perfectly sound."""

    exit_code = 74  # EX_IOERR of sysexits.h


def damaged(path: Path, error: Exception) -> LedgerDamaged:
    """Return the error to raise when SQLite finds a ledger damaged."""
    return LedgerDamaged(
        f"{path} cannot be used as a ledger: {error}. Move it away and put a backup in its place; "
        "the nodes send again what they still hold."
    )


def _refused(path: Path, error: sqlite3.OperationalError) -> LedgerRefused:
    return LedgerRefused(
        f"{path} cannot be opened or written: {error}. Look for a full, read-only or failing disk, and leave the file "
        "where it is; the nodes keep their records meanwhile."
    )


class NestedTransactionError(RuntimeError):
    """A transaction was begun inside another: a fault of the program."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Which database speaks, and at which of its starts: nodes believe the receipts of one mark at a time."""

    ledger: str
    start: int


class Ledger:
    """The writer's connection to one ledger file.

    Args:
        path: the file; it is made when it does not exist.
        now_ms: the time of day, for the row that names a new database.

    Raises:
        LedgerNewer: the file was written by a newer version; it is left untouched.
        LedgerDamaged: the file is not a database, or belongs to another program.
        LedgerRefused: it cannot be opened or written, as on a full or read-only disk.

    """

    def __init__(self, path: Path, now_ms: int) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self.connection: Final = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        except sqlite3.OperationalError as error:
            raise _refused(path, error) from error
        try:
            self._prepare(now_ms)
        except sqlite3.OperationalError as error:
            self.connection.close()
            raise _refused(path, error) from error
        except sqlite3.DatabaseError as error:
            self.connection.close()
            raise damaged(path, error) from error
        except BaseException:
            self.connection.close()
            raise

    def _prepare(self, now_ms: int) -> None:
        # The check comes before any pragma that writes: a newer ledger is left exactly as it is.
        migrate.check_not_newer(self.connection, str(self.path))
        self.connection.execute("PRAGMA journal_mode = WAL")
        self.connection.execute("PRAGMA synchronous = FULL")
        self.connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
        # After an outage of a reader or a burst the log's file shrinks again to where it is folded back.
        self.connection.execute(f"PRAGMA journal_size_limit = {_CHECKPOINT_PAGES * _PAGE_BYTES}")
        self.connection.execute("PRAGMA foreign_keys = ON")
        migrate.migrate(self.connection, str(self.path))
        with self.transaction() as db:
            db.execute(
                "INSERT OR IGNORE INTO ledger (only_one, ledger, start, seen_ms) VALUES (1, ?, 0, ?)",
                (secrets.token_hex(8), now_ms),
            )

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Run a block as one transaction: all of it is on the disk when the block ends, or nothing is."""
        if self.connection.in_transaction:
            msg = "a transaction is already open on the ledger"
            raise NestedTransactionError(msg)
        with transaction(self.connection) as db:
            yield db

    def begin_start(self, now_ms: int) -> Mark:
        """Take the mark of a new start, higher than every one before, and keep it."""
        with self.transaction() as db:
            ledger, start = db.execute("SELECT ledger, start FROM ledger").fetchone()
            mark = Mark(ledger, max(start + 1, now_ms))
            db.execute("UPDATE ledger SET start = ?", (mark.start,))
        return mark

    def close(self) -> None:
        """Close the file; a last checkpoint folds the write-ahead log into it."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
