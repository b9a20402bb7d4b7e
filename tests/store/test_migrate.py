"""Schema files are applied in order, wholly or not at all; a newer database is left untouched."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest

from wheelpit.store import migrate
from wheelpit.store.ledger import Ledger
from wheelpit.store.migrate import LedgerNewer, SchemaError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    yield connection
    connection.close()


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., Path]:
    def make(**scripts: str) -> Path:
        for name, script in scripts.items():
            (tmp_path / f"{name.removeprefix('f')}.sql").write_text(script)
        return tmp_path

    return make


def test_the_shipped_files_make_strict_tables(db: sqlite3.Connection) -> None:
    reached = migrate.migrate(db, "test")
    assert reached == migrate.newest_version() >= 1
    loose = db.execute(
        "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
        "AND name NOT LIKE 'sqlite_%' AND NOT strict"
    ).fetchall()
    assert loose == []


def test_strict_tables_refuse_text_where_a_number_belongs(db: sqlite3.Connection) -> None:
    migrate.migrate(db, "test")
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in INTEGER column"):
        db.execute("INSERT INTO boot VALUES (1, 1, '12.5V', 'live')")


def test_only_what_is_missing_is_applied(db: sqlite3.Connection, files: Callable[..., Path]) -> None:
    folder = files(f0001_a="CREATE TABLE a (x);")
    assert migrate.migrate(db, "test", folder) == 1
    files(f0002_b="CREATE TABLE b (x);\n-- done\n")
    assert migrate.migrate(db, "test", folder) == 2
    assert migrate.migrate(db, "test", folder) == 2


def test_a_file_that_fails_leaves_nothing(db: sqlite3.Connection, files: Callable[..., Path]) -> None:
    folder = files(f0001_a="CREATE TABLE a (x);", f0002_b="CREATE TABLE b (x); \nCREATE TABLE a (y);")
    with pytest.raises(SchemaError, match=r"0002_b\.sql failed: table a already exists"):
        migrate.migrate(db, "test", folder)
    assert migrate.version(db) == 1
    assert [name for (name,) in db.execute("SELECT name FROM sqlite_schema")] == ["a"]


def test_a_newer_database_is_refused_and_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    Ledger(path, 0).close()
    with sqlite3.connect(path) as newer:
        newer.execute("PRAGMA user_version = 999")
    newer.close()
    before = path.read_bytes()
    with pytest.raises(LedgerNewer, match=r"schema 999.*newer version.*Nothing was changed"):
        Ledger(path, 0)
    assert path.read_bytes() == before


def test_files_must_count_without_a_hole(files: Callable[..., Path]) -> None:
    folder = files(f0001_a="", f0003_c="")
    with pytest.raises(SchemaError, match="numbered 0001, 0002"):
        migrate.schema_files(folder)


def test_a_trigger_is_one_statement() -> None:
    script = "CREATE TABLE t (x); -- a; b\nCREATE TRIGGER g AFTER INSERT ON t BEGIN\nDELETE FROM t;\nEND;\n"
    assert len(migrate.statements(script)) == 2


def test_a_file_that_ends_inside_a_statement_is_refused() -> None:
    with pytest.raises(ValueError, match="ends in the middle of a statement"):
        migrate.statements("CREATE TABLE t (\n")
