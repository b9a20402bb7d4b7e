"""Copies of the logbook, which lie beside those of the ledger: what people wrote down cannot be measured again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from wheelpit.store.backup import BackupError
from wheelpit.store.newfile import flush_to_disk, new_file

if TYPE_CHECKING:
    from pathlib import Path


def beside(copy: Path) -> Path:
    """Return where the logbook's copy lies that belongs to a copy of a ledger."""
    return copy.with_name(f"{copy.stem}-logbook.db")


def copy_logbook(logbook: Path, out: Path, *, replace: bool = False) -> int:
    """Make a checked copy of a logbook, also while somebody writes it, and return how many entries it holds.

    Raises:
        BackupError: it cannot be copied, or the copy is not sound.
        FileInTheWayError: `out` exists.

    """
    try:
        with new_file(out, replace=replace) as draft:
            with (
                closing(sqlite3.connect(f"{logbook.resolve().as_uri()}?mode=ro", uri=True)) as db,
                closing(sqlite3.connect(draft, isolation_level=None)) as copy,
            ):
                db.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                found = [str(line) for (line,) in copy.execute("PRAGMA quick_check(3)")]
                (entries,) = copy.execute("SELECT count(*) FROM entry").fetchone()
            if found != ["ok"]:
                msg = (
                    f"the copy of {logbook} is damaged ({'; '.join(found)}): nothing was kept; check the disk"
                )
                raise BackupError(msg)
            flush_to_disk(draft)
    except (OSError, sqlite3.DatabaseError) as error:
        msg = f"{logbook} could not be copied to {out}: {error}"
        raise BackupError(msg) from error
    return int(entries)
