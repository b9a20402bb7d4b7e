"""Old full records go, sums and heads stay, and what comes late is booked once all the same."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.bookkeeper import Bookkeeper, ZoneChangedError
from wheelpit.store.upkeep import faults, fold_log, prune

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DAY = 86_400_000
BOOT = SEQ_PER_BOOT


def one_a_day(
    desk: Any, record: Callable[..., Any], noon_ms: int, days: int = 10, skip: tuple[int, ...] = ()
) -> None:
    """A record at noon of each day, all of one boot; skipped numbers are holes."""
    after = 0
    for n in range(1, days + 1):
        desk.now_ms = noon_ms + n * DAY
        if n not in skip:
            desk.take(record(n, end_ms=noon_ms + n * DAY), after=after)
            after = BOOT + n


def kept(desk: Any) -> list[int]:
    return [seq - BOOT for (seq,) in desk.ledger.connection.execute("SELECT seq FROM record ORDER BY seq")]


def pruned_to(desk: Any, days: int, most: int = 1000) -> int:
    with desk.ledger.transaction() as db:
        return prune(db, days, most)


def test_records_go_and_sums_stay(desk: Any, record: Callable[..., Any], noon_ms: int) -> None:
    one_a_day(desk, record, noon_ms)
    days = desk.reader.days("site")
    buckets = desk.reader.buckets("site", 0, 2**45)
    head = desk.one("SELECT head_seq FROM journal")
    assert pruned_to(desk, 4) == 6
    assert kept(desk) == [7, 8, 9, 10]
    assert desk.reader.days("site") == days
    assert desk.reader.buckets("site", 0, 2**45) == buckets
    assert desk.one("SELECT head_seq FROM journal") == head
    assert pruned_to(desk, 4) == 0
    assert desk.reader.tallies() == {"records_pruned": 6}


def test_it_goes_in_pieces(desk: Any, record: Callable[..., Any], noon_ms: int) -> None:
    one_a_day(desk, record, noon_ms)
    assert [pruned_to(desk, 3, most=3) for _ in range(4)] == [3, 3, 1, 0]
    assert kept(desk) == [8, 9, 10]


def test_what_comes_again_is_not_booked_again_and_what_comes_late_is_added(
    desk: Any, record: Callable[..., Any], noon_ms: int
) -> None:
    one_a_day(desk, record, noon_ms)
    pruned_to(desk, 2)
    before = desk.reader.days("site")
    # The node sends everything again, as after an older ledger was put back and then this one.
    for n in range(1, 11):
        assert desk.take(record(n, end_ms=noon_ms + n * DAY)).upto == BOOT + 10
    assert desk.reader.days("site") == before
    assert "conflicts" not in desk.reader.tallies()
    # Another node's backlog of a time whose records are gone.
    desk.take(record(1, end_ms=noon_ms + DAY + 20_000), node="battery", journal="f" * 16)
    day = desk.reader.days("site")[0]
    assert day.totals["charge_mwh"] == before[0].totals["charge_mwh"] + 100


def test_a_clock_that_is_years_ahead_costs_no_record(
    desk: Any, record: Callable[..., Any], noon_ms: int
) -> None:
    one_a_day(desk, record, noon_ms)
    desk.now_ms = noon_ms + 3650 * DAY
    desk.take(record(11, end_ms=desk.now_ms), after=BOOT + 10)
    assert pruned_to(desk, 10) == 1
    assert kept(desk) == list(range(2, 12))


def test_gaps_keep_their_place_in_time_and_undated_records_stay(
    desk: Any, record: Callable[..., Any], noon_ms: int
) -> None:
    one_a_day(desk, record, noon_ms, skip=(3, 4))
    gaps = desk.reader.gaps("site")
    assert len(gaps) == 1
    assert pruned_to(desk, 2) == 5
    # The record after the hole, 5, tells in which time it lies.
    assert kept(desk) == [5, 9, 10]
    assert desk.reader.gaps("site") == gaps
    desk.take(record(1, boot=2, end_ms=None, clock="none"), after=BOOT + 10)
    assert desk.reader.undated("site")["charge_mwh"] == 100
    pruned_to(desk, 1)
    assert desk.reader.undated("site")["charge_mwh"] == 100
    assert desk.one("SELECT count(*) FROM record WHERE end_ms IS NULL") == 1


def test_days_are_not_cut_anew_from_records_that_are_gone(
    desk: Any, record: Callable[..., Any], noon_ms: int
) -> None:
    one_a_day(desk, record, noon_ms)
    pruned_to(desk, 2)
    days = desk.reader.days("site")
    with pytest.raises(ZoneChangedError, match="Keep Europe/London"), desk.ledger.transaction() as db:
        Bookkeeper(db, "site", "Asia/Kathmandu")
    assert desk.reader.days("site") == days


def test_less_than_a_day_is_refused(desk: Any) -> None:
    with pytest.raises(ValueError, match="keep_days 0 must be 1 or more"):
        prune(desk.ledger.connection, 0, 10)


def test_the_log_is_emptied_unless_someone_reads(desk: Any, record: Callable[..., Any], noon_ms: int) -> None:
    log = desk.path.with_name("ledger.db-wal")
    desk.take(record(1))
    with desk.reader.open():
        desk.take(record(2), after=BOOT + 1)
        assert not fold_log(desk.ledger.connection)
        assert log.stat().st_size > 0
    assert fold_log(desk.ledger.connection)
    assert log.stat().st_size == 0
    assert desk.one("PRAGMA busy_timeout") == 10_000


def test_damage_is_found(desk: Any, record: Callable[..., Any], noon_ms: int, tmp_path: Path) -> None:
    desk.take(*(record(n) for n in range(1, 200)))
    assert faults(desk.path) == []
    with closing(sqlite3.connect(desk.path)) as db:
        whole = db.serialize()
        (root,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'record'").fetchone()
    bad = tmp_path / "bad.db"
    bad.write_bytes(whole[: (root - 1) * 4096] + b"\x99" * 4096 + whole[root * 4096 :])
    assert faults(bad)
    bad.write_bytes(b"\x99" * 8192)
    assert faults(bad) == ["file is not a database"]
