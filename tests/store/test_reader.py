"""Reading beside the writer: consistent, read-only, never in its way."""

from __future__ import annotations

import sqlite3
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.reader import LedgerMissing, LedgerNewer, LedgerOlder, LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wheelpit.contract.messages import Record

BOOT = SEQ_PER_BOOT


def test_a_missing_ledger_says_what_makes_it(tmp_path: Path) -> None:
    with pytest.raises(LedgerMissing, match="there is no ledger yet; `wheelpit serve` makes it"):
        LedgerReader(tmp_path / "ledger.db").sites()


def test_a_ledger_of_another_version_says_what_to_do(desk: Any) -> None:
    have = desk.one("PRAGMA user_version")
    desk.ledger.connection.execute("PRAGMA user_version = 999")
    with pytest.raises(LedgerNewer, match="written by a newer version"):
        desk.reader.sites()
    desk.ledger.connection.execute("PRAGMA user_version = 0")
    with pytest.raises(LedgerMissing, match="being made"):
        desk.reader.sites()
    if have > 1:
        desk.ledger.connection.execute("PRAGMA user_version = 1")
        with pytest.raises(LedgerOlder, match="start `wheelpit serve` once"):
            desk.reader.sites()


def test_a_reader_cannot_write(desk: Any) -> None:
    with desk.reader.open() as db, pytest.raises(sqlite3.OperationalError, match="readonly database"):
        db.execute("DELETE FROM record")


def test_an_unknown_site_is_empty_and_has_no_time_zone(desk: Any) -> None:
    assert desk.reader.sites() == ["site"]
    assert desk.reader.days("elsewhere") == []
    assert desk.reader.records("elsewhere", 0, 1) == []
    with pytest.raises(LedgerMissing, match="site 'elsewhere' is not in"):
        desk.reader.time_zone("elsewhere")


def test_a_reader_sees_the_last_commit_and_no_part_of_the_next(
    desk: Any, record: Callable[..., Record]
) -> None:
    desk.take(record(1))
    with desk.ledger.transaction() as db:
        db.execute("DELETE FROM day")
        assert desk.reader.days("site")[0].totals["charge_mwh"] == 100
        db.execute("ROLLBACK")
        db.execute("BEGIN")


def test_one_reading_is_of_one_moment(desk: Any, record: Callable[..., Record]) -> None:
    desk.take(record(1))
    with desk.reader.open() as db:
        before = db.execute("SELECT count(*) FROM record").fetchone()
        desk.take(record(2), after=BOOT + 1)
        assert db.execute("SELECT count(*) FROM record").fetchone() == before
    assert len(desk.reader.records("site", 0, 2_000_000_000_000)) == 2


def test_readers_do_not_make_the_log_grow(desk: Any, record: Callable[..., Record]) -> None:
    """The write-ahead log is folded back while readers come and go; a page is 4 KiB."""
    wal = desk.path.with_name("ledger.db-wal")
    largest = 0
    desk.ledger.connection.execute("PRAGMA wal_autocheckpoint = 100")
    for n in range(1, 200):
        desk.take(record(n), after=BOOT + n - 1 if n > 1 else 0)
        desk.reader.days("site")
        largest = max(largest, wal.stat().st_size)
    assert largest < 200 * 4200


def test_records_are_those_that_reach_into_the_interval(
    desk: Any, record: Callable[..., Record], noon_ms: int
) -> None:
    desk.take(*(record(n) for n in range(1, 7)))

    def ends(low: int, high: int) -> list[int]:
        return [
            (row.end_ms - noon_ms) // 1000
            for row in desk.reader.records("site", noon_ms + low, noon_ms + high)
        ]

    assert ends(0, 60_000) == [10, 20, 30, 40, 50, 60]
    assert ends(10_000, 20_000) == [20]
    assert ends(9_999, 20_001) == [10, 20, 30]
    assert ends(60_000, 90_000) == []
    assert ends(-9_000, 0) == []


def test_a_record_comes_back_as_it_was_sent(desk: Any, record: Callable[..., Record], noon_ms: int) -> None:
    desk.take(
        record(
            1,
            mean={"wheel_rpm": 10.404, "battery_degc": -7.25, "charge_a": None},
            min={"wheel_rpm": 10.1, "battery_degc": -7.5, "charge_a": None},
            max={"wheel_rpm": 10.9, "battery_degc": -7.0, "charge_a": None},
            faults={"charge_a": "bus"},
            state="slow",
            dur_ms=9_000,
        )
    )
    (row,) = desk.reader.records("site", noon_ms, noon_ms + 10_000)
    assert row.mean == {"wheel_rpm": 10.404, "battery_degc": -7.25, "charge_a": None}
    assert row.min == {"wheel_rpm": 10.1, "battery_degc": -7.5, "charge_a": None}
    assert row.max == {"wheel_rpm": 10.9, "battery_degc": -7.0, "charge_a": None}
    assert row.faults == {"charge_a": "bus"}
    assert (row.node, row.state, row.clock) == ("wheel", "slow", "host")
    assert (row.span_ms, row.dur_ms) == (10_000, 9_000)
    assert (row.seq, row.first) == (BOOT + 1, BOOT + 1)


def test_days_and_buckets_can_be_asked_for_by_range(
    desk: Any, record: Callable[..., Record], noon_ms: int
) -> None:
    day_ms = 86_400_000
    for n in range(3):
        desk.now_ms = noon_ms + n * day_ms
        desk.take(record(1, boot=n + 1, end_ms=noon_ms + n * day_ms), after=n and n * BOOT + 1)
    assert [row.day.day for row in desk.reader.days("site")] == [1, 2, 3]
    assert [row.day.day for row in desk.reader.days("site", date(2026, 6, 2))] == [2, 3]
    assert [row.day.day for row in desk.reader.days("site", None, date(2026, 6, 2))] == [1, 2]
    (bucket,) = desk.reader.buckets("site", noon_ms + day_ms - 600_000, noon_ms + day_ms)
    assert (bucket.start_ms, bucket.end_ms) == (noon_ms + day_ms - 600_000, noon_ms + day_ms)
    assert bucket.totals["charge_mwh"] == 100
    assert bucket.longest_record_ms == 10_000


def test_nodes_of_a_site_are_added_up(desk: Any, record: Callable[..., Record], noon_ms: int) -> None:
    desk.take(record(1))
    desk.take(
        record(
            1,
            total={"load_mwh": 40},
            mean={"battery_v": 13.5},
            min={"battery_v": 13.5},
            max={"battery_v": 13.5},
        ),
        node="house",
        journal="f" * 16,
    )
    (day,) = desk.reader.days("site")
    assert day.totals == {"charge_mwh": 100, "charge_valid_ms": 10_000, "load_mwh": 40}
    assert day.span_ms == 10_000
    stat = day.channels["battery_v"]
    assert (stat.valid_ms, stat.mean, stat.min, stat.max) == (20_000, 13.0, 12.25, 13.5)


def test_time_that_no_record_covers_is_named(desk: Any, record: Callable[..., Record], noon_ms: int) -> None:
    desk.take(record(1), record(2), record(1, boot=2))
    hour = 3_600_000
    found = desk.reader.unmeasured("site", noon_ms, noon_ms + 2 * hour)
    assert [(row.start_ms - noon_ms, row.end_ms - noon_ms) for row in found] == [
        (20_000, hour),
        (hour + 10_000, 2 * hour),
    ]
