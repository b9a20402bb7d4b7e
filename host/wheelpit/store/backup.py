"""A checked copy of the ledger, made while the service writes; and one put back in its place.

A copy is one file. It is made by SQLite's own online backup from one consistent state, opened again, checked and
compared before it gets its name, so a file under that name is always whole. Copying `ledger.db` by other means
loses what still lies in its write-ahead log (https://www.sqlite.org/howtocorrupt.html, section 1.2).
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError
from wheelpit.store import migrate
from wheelpit.store.newfile import flush_to_disk, new_file
from wheelpit.store.reader import LedgerMissing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

_BUSY_S: Final = 10.0
_STEP_PAGES: Final = 4096
_SPARE_BYTES: Final = 16 << 20


class BackupError(WheelpitError):
    """A copy could not be made, is not a sound copy, or could not be put back."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a ledger holds, to compare a copy with it.

    `rows` are the rows of each table; `heads` say of each node's store how far it is accounted for.
    """

    ledger: str
    start: int
    seen_ms: int
    rows: dict[str, int]
    heads: dict[str, int]


def stamp(now_ms: int) -> str:
    """Return a moment as part of a file's name, in UTC: `20260601T110000Z`."""
    return datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")


@contextmanager
def _snapshot(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a ledger of this version or an older one: read-only, one consistent state throughout."""
    if not path.is_file():
        msg = f"{path}: there is no ledger here"
        raise LedgerMissing(msg)
    uri = f"{path.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)) as db:
        db.execute("PRAGMA query_only = ON")
        db.execute("BEGIN")
        migrate.check_not_newer(db, str(path))
        if migrate.version(db) == 0:
            msg = f"{path} is no ledger of this program: its schema is 0"
            raise BackupError(msg)
        yield db


def contents(db: sqlite3.Connection) -> Contents:
    """Return what an open ledger holds."""
    tables = [
        name
        for (name,) in db.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
        )
    ]
    ledger, start, seen_ms = db.execute("SELECT ledger, start, seen_ms FROM ledger").fetchone()
    return Contents(
        ledger=str(ledger),
        start=int(start),
        seen_ms=int(seen_ms),
        rows={
            name: int(db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0])  # noqa: S608 - the schema's own names
            for name in tables
        },
        heads={
            str(journal): int(head) for journal, head in db.execute("SELECT journal, head_seq FROM journal")
        },
    )


def checked(path: Path) -> Contents:
    """Return what a ledger file holds after SQLite found its structure sound.

    Raises:
        BackupError: it is damaged, or no ledger of this program.
        LedgerMissing: there is no such file.
        LedgerNewer: a newer version wrote it.

    """
    try:
        with _snapshot(path) as db:
            found = [str(line) for (line,) in db.execute("PRAGMA quick_check(3)")]
            if found != ["ok"]:
                msg = f"{path} is damaged: {'; '.join(found)}. Use another copy"
                raise BackupError(msg)
            return contents(db)
    except sqlite3.DatabaseError as error:
        msg = f"{path} cannot be read as a ledger: {error}. Use another copy"
        raise BackupError(msg) from error


def _copy(
    db: sqlite3.Connection, out: Path, say: Callable[[int, int], None], step_pages: int = _STEP_PAGES
) -> None:
    """Copy an open ledger into a new file, which has no write-ahead log of its own."""
    with closing(sqlite3.connect(out, isolation_level=None)) as copy:
        db.backup(copy, pages=step_pages, progress=lambda _, left, total: say(total - left, total))
        copy.execute("PRAGMA journal_mode = DELETE")


def _room(folder: Path, needed: int) -> None:
    free = shutil.disk_usage(folder).free
    if free < needed + _SPARE_BYTES:
        msg = (
            f"{folder} has {free >> 20} MiB free, the copy needs {(needed + _SPARE_BYTES) >> 20} MiB: make room, "
            "or choose another disk"
        )
        raise BackupError(msg)


def back_up(
    ledger: Path,
    out: Path,
    *,
    replace: bool = False,
    say: Callable[[int, int], None] = lambda done, of: None,  # noqa: ARG005 - silent unless asked
    step_pages: int = _STEP_PAGES,
) -> Contents:
    """Make a checked copy of a ledger, also while the service writes it, and return what it holds.

    Args:
        ledger: the ledger's file.
        out: the file to make.
        replace: whether a file of that name may be replaced; it is, at once, when the new one is whole.
        say: is told how many pages of how many are copied.
        step_pages: how many pages are copied at a time.

    Raises:
        BackupError: the disk is full, or the copy is not equal to the ledger.
        FileInTheWayError: `out` exists.
        LedgerMissing: there is no ledger.

    """
    if out.exists() and ledger.exists() and out.samefile(ledger):
        msg = f"{out} is the ledger itself: give another name"
        raise BackupError(msg)
    try:
        with new_file(out, replace=replace) as draft, _snapshot(ledger) as db:
            pages, size = (
                int(db.execute(f"PRAGMA {what}").fetchone()[0]) for what in ("page_count", "page_size")
            )
            _room(out.parent, pages * size)
            _copy(db, draft, say, step_pages)
            held = checked(draft)
            if held != contents(db):
                msg = f"the copy of {ledger} is not equal to it: nothing was kept; check disk and memory"
                raise BackupError(msg)
    except sqlite3.DatabaseError as error:
        msg = f"{ledger} could not be copied to {out}: {error}"
        raise BackupError(msg) from error
    except OSError as error:
        msg = f"{out} cannot be written: {error}"
        raise BackupError(msg) from error
    return held


def readable(path: Path) -> Contents | None:
    """Return what a ledger holds, or None when it is not there or too damaged to say."""
    try:
        with _snapshot(path) as db:
            return contents(db)
    except (WheelpitError, sqlite3.DatabaseError):
        return None


def put_back(
    copy: Path,
    ledger: Path,
    now_ms: int,
    say: Callable[[int, int], None] = lambda done, of: None,  # noqa: ARG005 - silent unless asked
) -> Path | None:
    """Put a copy in the ledger's place; the caller holds the state folder, so that no service runs.

    The start mark of the result is at least that of the ledger it replaces: the service's next start is above
    both, so the nodes let go of later receipts, go back to what the copy holds and send again what they still have.

    Returns:
        Where the ledger that was there lies now; None if there was none.

    Raises:
        BackupError: the copy is not sound, or the files cannot be written. The ledger is as it was then.

    """
    if ledger.exists() and copy.exists() and copy.samefile(ledger):
        msg = f"{copy} is the ledger itself: name a copy of it"
        raise BackupError(msg)
    held = checked(copy)
    before = readable(ledger)
    try:
        ledger.parent.mkdir(parents=True, exist_ok=True)
        with new_file(ledger, replace=True) as draft:
            _room(ledger.parent, copy.stat().st_size)
            with _snapshot(copy) as db:
                _copy(db, draft, say)
            start = max(held.start, 0 if before is None else before.start)
            with closing(sqlite3.connect(draft, isolation_level=None)) as db:
                db.execute("UPDATE ledger SET start = ?", (start,))
            again = checked(draft)
            if (again.rows, again.heads) != (held.rows, held.heads):
                msg = (
                    f"what was written of {copy} is not equal to it; the ledger is as it was. Check the disk"
                )
                raise BackupError(msg)
            flush_to_disk(draft)
            aside = _set_aside(ledger, now_ms, sound=before is not None)
    except (OSError, sqlite3.DatabaseError) as error:
        msg = f"{copy} could not be put in the place of {ledger}: {error}"
        raise BackupError(msg) from error
    return aside


def _set_aside(ledger: Path, now_ms: int, *, sound: bool) -> Path | None:
    """Give a ledger a second name with the date, and take its write-ahead log away from the first.

    A log that stayed would be replayed into the file that comes.
    """
    if not ledger.exists():
        for end in ("-wal", "-shm"):
            ledger.with_name(ledger.name + end).unlink(missing_ok=True)
        return None
    if sound:
        # A damaged one is not opened for writing: SQLite might throw its log away, which goes aside with it, below.
        with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(ledger, timeout=_BUSY_S)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    aside = ledger.with_name(f"ledger-before-restore-{stamp(now_ms)}.db")
    try:
        aside.hardlink_to(ledger)
    except FileExistsError:
        raise
    except OSError:
        # Without hard links there is a moment without a ledger; what was there is under its new name.
        ledger.rename(aside)
    log = ledger.with_name(f"{ledger.name}-wal")
    if log.exists():
        log.rename(f"{aside}-wal")
    ledger.with_name(f"{ledger.name}-shm").unlink(missing_ok=True)
    return aside
