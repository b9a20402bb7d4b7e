"""The nightly work: when it is due, that it goes in pieces, and what it says of a damaged ledger."""

from __future__ import annotations

import sqlite3
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from wheelpit.ingest import upkeep
from wheelpit.ingest.upkeep import Upkeep
from wheelpit.store.days import LocalDays

if TYPE_CHECKING:
    import pytest

ZONE = LocalDays("Europe/London")
DAY = 86_400_000


def at(*when: int) -> int:
    """Return a moment of local time; in June the United Kingdom is an hour ahead of UTC."""
    return int(datetime(*when, tzinfo=UTC).timestamp() * 1000) - 3_600_000  # type: ignore[misc,arg-type]


def work_off(keeper: Upkeep, now_ms: int) -> None:
    keeper.turn(now_ms)
    until = time.monotonic() + 30
    while keeper._work is not None and time.monotonic() < until:
        keeper.turn(now_ms)
        time.sleep(0.001)
    assert keeper._work is None


def test_it_is_due_soon_after_the_start_and_then_each_night(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[int] = []

    def nothing_old(_db: sqlite3.Connection, keep_days: int, _most: int) -> int:
        begun.append(keep_days)
        return 0

    monkeypatch.setattr(upkeep, "prune", nothing_old)
    start = at(2026, 6, 1, 20, 0)
    keeper = Upkeep(bench.ledger, ZONE, 400, start)
    keeper.turn(start + 599_000)
    assert begun == []
    work_off(keeper, start + 600_000)
    assert begun == [400]
    for moment, times in [
        (at(2026, 6, 3, 2, 59), 1),
        (at(2026, 6, 3, 3, 0), 2),
        (at(2026, 6, 3, 23, 0), 2),
        (at(2026, 6, 4, 3, 0), 3),
        # The clock is set back by years: the next night is not put off until then.
        (at(2020, 6, 4, 3, 0), 4),
    ]:
        work_off(keeper, moment)
        assert len(begun) == times, moment


def test_records_go_in_pieces_and_others_are_booked_between(
    bench: Any, make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upkeep, "_PIECE", 2)
    for n in range(1, 8):
        bench.now_ms = make.noon_ms + n * DAY
        bench.handle(bench.records(make.record(n, end_ms=bench.now_ms)))
    keeper = Upkeep(bench.ledger, ZONE, 2, 0)
    counts = []
    for _ in range(20):
        keeper.turn(bench.now_ms)
        assert not bench.ledger.connection.in_transaction
        bench.handle([])
        counts.append(bench.ledger.connection.execute("SELECT count(*) FROM record").fetchone()[0])
    assert counts[:3] == [5, 3, 2]
    assert bench.reader.tallies() == {"records_pruned": 5}


def test_none_keeps_all(bench: Any, make: Any) -> None:
    for n in range(1, 4):
        bench.now_ms = make.noon_ms + n * DAY
        bench.handle(bench.records(make.record(n, end_ms=bench.now_ms)))
    work_off(Upkeep(bench.ledger, ZONE, None, 0), bench.now_ms)
    assert bench.ledger.connection.execute("SELECT count(*) FROM record").fetchone() == (3,)


def test_damage_is_said_and_counted(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(upkeep, "faults", lambda path: ["row 7 missing from index"])
    work_off(Upkeep(bench.ledger, ZONE, 400, 0), bench.now_ms)
    assert "row 7 missing from index. End the service and put a backup in its place" in caplog.text
    assert bench.reader.tallies() == {"failed_checks": 1}


def test_a_full_disk_puts_it_off(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(*_: Any) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(upkeep, "prune", full)
    work_off(Upkeep(bench.ledger, ZONE, 400, 0), bench.now_ms)
    assert "put off to the next night: database or disk is full" in caplog.text
    assert not bench.ledger.connection.in_transaction
