"""Brings a database up to the newest schema: numbered SQL files, in order, each in one transaction.

`PRAGMA user_version` is the number of the last file that was applied. A database that is newer than this
program is refused and left untouched.
"""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from typing import Final

from wheelpit.errors import WheelpitError
from wheelpit.store.transaction import transaction

FOLDER: Final = Path(__file__).resolve().parent / "schema"
_NAME: Final = re.compile(r"(\d{4})_[a-z0-9_]+\.sql\Z")


class LedgerNewer(WheelpitError):  # noqa: N818 - an error that names a state reads as one
    """The database was written by a newer version of this program."""


class SchemaError(WheelpitError):
    """A schema file failed to apply; nothing of it was kept."""


def schema_files(folder: Path = FOLDER) -> list[tuple[int, Path]]:
    """Return the schema files with their numbers, which count 1, 2, 3 ... without a hole."""
    found = sorted((int(match[1]), path) for path in folder.iterdir() if (match := _NAME.match(path.name)))
    if [number for number, _ in found] != list(range(1, len(found) + 1)):
        msg = f"{folder}: schema files must be numbered 0001, 0002 ... without a hole or a double"
        raise SchemaError(msg)
    return found


def newest_version(folder: Path = FOLDER) -> int:
    """Return the version of a database that this program writes."""
    return len(schema_files(folder))


def version(connection: sqlite3.Connection) -> int:
    """Return the schema version of an open database; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def check_not_newer(connection: sqlite3.Connection, name: str, folder: Path = FOLDER) -> None:
    """Raise `LedgerNewer` if the database has a newer schema than this program knows."""
    have, known = version(connection), newest_version(folder)
    if have > known:
        msg = (
            f"{name} has schema {have}, this program knows {known}: it was written by a newer version. "
            "Update wheelpit, or point --state at another folder. Nothing was changed."
        )
        raise LedgerNewer(msg)


def migrate(connection: sqlite3.Connection, name: str, folder: Path = FOLDER) -> int:
    """Apply what is missing and return the version reached.

    The connection must be in autocommit mode (`isolation_level=None`) with no transaction open. Each file and
    the note that it was applied are one transaction: after a failure or a power cut it is there or it is not.
    """
    check_not_newer(connection, name, folder)
    have = version(connection)
    for number, path in schema_files(folder)[have:]:
        try:
            with transaction(connection):
                for statement in statements(path.read_text(encoding="utf-8")):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number}")
        except Exception as error:
            msg = f"{name}: schema file {path.name} failed: {error}. The database is as it was before it."
            raise SchemaError(msg) from error
    return version(connection)


def statements(script: str) -> list[str]:
    """Split a schema file into statements.

    `executescript` would commit by itself, so the file is split here: at each `;` that ends a statement by
    SQLite's own judgement, so text and triggers may contain one.
    """
    found: list[str] = []
    collected = ""
    for line in script.splitlines(keepends=True):
        collected += line
        if sqlite3.complete_statement(collected):
            found.append(collected.strip())
            collected = ""
    if any(line.strip() and not line.strip().startswith("--") for line in collected.splitlines()):
        msg = f"a schema file ends in the middle of a statement: {collected.strip()[:60]!r}"
        raise ValueError(msg)
    return [statement for statement in found if statement]
