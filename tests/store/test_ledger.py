"""The writer's connection: durable, one transaction at a time, a mark that only rises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from wheelpit.store.ledger import Ledger, LedgerDamaged, NestedTransactionError

if TYPE_CHECKING:
    from pathlib import Path


def test_a_commit_is_on_the_disk_when_it_returns(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.db", 0) as ledger:
        # SQLite, "PRAGMA synchronous": in WAL mode only FULL (2) keeps the last commits over a power cut.
        assert ledger.connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert ledger.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert ledger.connection.execute("PRAGMA foreign_keys").fetchone() == (1,)


def test_the_mark_rises_at_every_start_whatever_the_clock_says(tmp_path: Path) -> None:
    marks = []
    for now_ms in (1000, 1000, 500, 5000, 0):
        with Ledger(tmp_path / "ledger.db", now_ms) as ledger:
            marks.append(ledger.begin_start(now_ms))
    assert [mark.start for mark in marks] == [1000, 1001, 1002, 5000, 5001]
    assert len({mark.ledger for mark in marks}) == 1
    assert len(marks[0].ledger) == 16


def test_two_databases_have_two_names(tmp_path: Path) -> None:
    with Ledger(tmp_path / "a.db", 1) as a, Ledger(tmp_path / "b.db", 1) as b:
        assert a.begin_start(1).ledger != b.begin_start(1).ledger


def test_an_error_inside_rolls_everything_back(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.db", 0) as ledger:

        def fail() -> None:
            with ledger.transaction() as db:
                db.execute("INSERT INTO tally VALUES ('x', 1)")
                raise KeyError("x")

        with pytest.raises(KeyError):
            fail()
        assert ledger.connection.execute("SELECT count(*) FROM tally").fetchone() == (0,)
        with ledger.transaction():
            pass


def test_transactions_do_not_nest(tmp_path: Path) -> None:
    with (
        Ledger(tmp_path / "ledger.db", 0) as ledger,
        ledger.transaction(),
        pytest.raises(NestedTransactionError),
    ):
        ledger.transaction().__enter__()


@pytest.mark.parametrize("content", [b"this is no database, but long enough to be read as a header" * 20])
def test_another_file_is_refused_with_a_remedy(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "ledger.db"
    path.write_bytes(content)
    with pytest.raises(LedgerDamaged, match=r"cannot be used as a ledger.*put a backup in its place"):
        Ledger(path, 0)
    assert path.read_bytes() == content
