"""A block is one transaction, also where SQLite ends it by itself (sqlite.org/lang_transaction.html, section 3)."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as made:
        made.execute("CREATE TABLE t (n INTEGER NOT NULL UNIQUE) STRICT")
        yield made


def numbers(db: sqlite3.Connection) -> list[int]:
    return [n for (n,) in db.execute("SELECT n FROM t ORDER BY n")]


def book(db: sqlite3.Connection, *statements: str) -> None:
    with transaction(db) as same:
        for statement in statements:
            same.execute(statement)


def test_all_of_a_block_or_nothing(db: sqlite3.Connection) -> None:
    book(db, "INSERT INTO t VALUES (1)", "INSERT INTO t VALUES (2)")
    with pytest.raises(sqlite3.OperationalError, match="no such table"):
        book(db, "INSERT INTO t VALUES (3)", "INSERT INTO another VALUES (3)")
    assert numbers(db) == [1, 2]
    assert not db.in_transaction


def test_an_error_that_ends_the_transaction_by_itself_is_the_one_that_is_raised(
    db: sqlite3.Connection,
) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        book(db, "INSERT INTO t VALUES (1)", "INSERT OR ROLLBACK INTO t VALUES (1)")
    assert numbers(db) == []
    book(db, "INSERT INTO t VALUES (4)")
    assert numbers(db) == [4]
