"""The logbook keeps what was written, strikes out and never deletes."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest

from wheelpit.store.logbook import (
    FILE,
    HYDROMETER,
    LAID_UP,
    NOTE,
    PARKED,
    RAKED,
    TOPPED_UP,
    Draft,
    Logbook,
    LogbookError,
)
from wheelpit.store.migrate import LedgerNewer

if TYPE_CHECKING:
    from pathlib import Path

_NOW = 1_000_000


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / FILE)


def draft(kind: str, from_ms: int, **more: object) -> Draft:
    return Draft(site="ghyll", kind=kind, from_ms=from_ms, **more)  # type: ignore[arg-type]


def test_a_book_that_is_not_there_holds_nothing_and_is_not_made_by_looking(book: Logbook) -> None:
    assert book.entries("ghyll", 0, _NOW) == []
    assert book.last("ghyll", [RAKED], _NOW) is None
    assert not book.path.exists()


def test_what_lasts_reaches_into_every_time_it_touches(book: Logbook) -> None:
    parked = book.write(draft(PARKED, 1000, to_ms=5000), _NOW)
    laid_up = book.write(draft(LAID_UP, 20_000, to_ms=2 * _NOW), _NOW)
    assert book.entries("ghyll", 4999, 6000) == [parked]
    assert book.entries("ghyll", 5000, 6000) == []
    assert book.entries("ghyll", _NOW, _NOW + 1) == [laid_up]
    assert book.entries("elsewhere", 0, _NOW) == []


def test_what_is_not_over_goes_on_until_somebody_ends_it(book: Logbook) -> None:
    entry = book.write(draft(PARKED, 1000), _NOW)
    assert book.entries("ghyll", _NOW, 2 * _NOW) == [entry]
    assert entry.end_ms(_NOW) == _NOW
    assert book.end(entry.number, 3000).to_ms == 3000
    assert book.entries("ghyll", 3000, _NOW) == []
    with pytest.raises(LogbookError, match="is not going on"):
        book.end(entry.number, 4000)


def test_struck_out_is_still_there_with_the_reason(book: Logbook) -> None:
    first = book.write(draft(RAKED, 1000), _NOW)
    second = book.write(draft(RAKED, 2000), _NOW)
    book.strike(second.number, "the other rack", _NOW)
    assert book.entries("ghyll", 0, _NOW) == [first]
    assert book.last("ghyll", [RAKED], _NOW) == first
    kept = book.entries("ghyll", 0, _NOW, struck=True)[1]
    assert (kept.struck_ms, kept.struck_why) == (_NOW, "the other rack")
    with pytest.raises(LogbookError, match="struck out already"):
        book.strike(second.number, "again", _NOW)
    with sqlite3.connect(book.path) as db, pytest.raises(sqlite3.IntegrityError, match="never deleted"):
        db.execute("DELETE FROM entry")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (draft("cleaned", 0), "is not known"),
        (draft(RAKED, _NOW + 1), "future"),
        (draft(RAKED, 0, to_ms=1), "has no length"),
        (draft(PARKED, 5, to_ms=4), "end before it begins"),
        (draft(NOTE, 0), "needs words"),
        (draft(HYDROMETER, 0), "specific gravities go with"),
        (draft(RAKED, 0, gravities=(1.2,)), "specific gravities go with"),
        (draft(HYDROMETER, 0, gravities=(1265.0,)), "not 1265"),
        (draft(TOPPED_UP, 0, litres=-1.0), "water added"),
        (draft(RAKED, 0, litres=1.0), "litres go with"),
    ],
)
def test_what_cannot_be_is_not_written(book: Logbook, wrong: Draft, said: str) -> None:
    with pytest.raises(LogbookError, match=said):
        book.write(wrong, _NOW)
    assert not book.path.exists()


def test_a_book_of_a_newer_version_is_left_untouched(book: Logbook) -> None:
    book.write(draft(RAKED, 1), _NOW)
    with sqlite3.connect(book.path) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(LedgerNewer):
        book.entries("ghyll", 0, _NOW)
    with pytest.raises(LedgerNewer):
        book.write(draft(RAKED, 2), _NOW)


def test_two_writers_do_not_lose_each_other_s_words(book: Logbook) -> None:
    other = Logbook(book.path)
    numbers = [(book if k % 2 else other).write(draft(RAKED, k), _NOW).number for k in range(10)]
    assert numbers == list(range(1, 11))
