"""The same books from either store, over days on which the clocks change, with real servers."""

from __future__ import annotations

import datetime as dt
import json
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.accounts.books import day_books
from wheelpit.contract.messages import Record
from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS
from wheelpit.demo.past import give_past
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.days import LocalDays
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.packing import Layout, Stored
from wheelpit.store.rollup import cut

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wheelpit.store.rows import RecordRow

pytestmark = pytest.mark.slow

SITE = "sallow-ghyll"
AUTUMN = dt.date(2026, 10, 26)  # the day before has 25 hours in Europe/London


@pytest.fixture
def past(state: Path) -> int:
    return give_past(state / FILE, load_plant(demo_plant_path()), 1, AUTUMN)


def sums_by_day(rows: list[RecordRow], zone: str) -> dict[dt.date, dict[str, int]]:
    """Add records up to days anew, as the roll-ups of the ledger are cut."""
    days = LocalDays(zone)
    found: dict[dt.date, dict[str, int]] = {}
    for row in rows:
        layout = Layout.of((), row.totals)
        stored = Stored(
            row.seq, row.first, 0, row.end_ms - row.start_ms, 0, row.span_ms, row.dur_ms, 0, 0, 0, [], [], [], [],
            [row.totals[name] for name in layout.totals],
        )  # fmt: skip
        for day, _, _, part in cut(days, stored, row.end_ms):
            of_day = found.setdefault(day, {})
            for name, amount in zip(layout.totals, part.totals, strict=True):
                of_day[name] = of_day.get(name, 0) + amount
    return found


def test_the_books_of_either_store_are_equal_to_the_integer(
    influx: Any, forward: Callable[..., Any], past: int
) -> None:
    desk = forward(influx.where)
    desk.all()
    ledger, database = desk.ledger, desk.reader
    plant = load_plant(demo_plant_path())
    assert database.sites() == [SITE]
    assert database.time_zone(SITE) == "Europe/London"
    days = ledger.days(SITE)
    assert {day.end_ms - day.start_ms for day in days} == {25 * 3_600_000}
    assert sum(day.records for day in days) == past
    assert database.days(SITE) == days
    assert day_books(database, SITE, plant) == day_books(ledger, SITE, plant)
    first, last = days[0].start_ms + 1_234_567, days[0].end_ms - 7_654_321
    assert database.buckets(SITE, first, last) == ledger.buckets(SITE, first, last)
    assert database.columns() == ledger.columns()
    names, channels = tuple(TOTALS), tuple(CHANNELS)
    mine = ledger.bucket_columns(SITE, first, last, names, channels)
    theirs = database.bucket_columns(SITE, first, last, names, channels)
    assert mine.start_ms.tolist() == theirs.start_ms.tolist()
    assert mine.end_ms.tolist() == theirs.end_ms.tolist()
    assert {name: column.tolist() for name, column in mine.totals.items()} == {
        name: column.tolist() for name, column in theirs.totals.items()
    }
    assert {name: column.tolist() for name, column in mine.valid_ms.items()} == {
        name: column.tolist() for name, column in theirs.valid_ms.items()
    }
    for at in range(days[0].start_ms, days[0].start_ms + 6 * 3_600_000, 9_000_000):
        assert database.records(SITE, at, at + 300_000) == ledger.records(SITE, at, at + 300_000)
    # The records that were forwarded, added up anew, are the days: neither store only repeats the other's sums.
    rows = database.records(SITE, days[0].start_ms, days[-1].end_ms)
    assert len(rows) == past
    again = sums_by_day(rows, "Europe/London")
    assert {day.day: day.totals for day in days} == again


def few(path: Path) -> None:
    """Book some records of odd amounts."""
    records = [
        Record(
            seq=SEQ_PER_BOOT + n, first=SEQ_PER_BOOT + n, up_ms=n * 10_000, dur_ms=10_000, span_ms=10_000,
            end_ms=1_780_311_600_000 + n * 10_000, clock="host", state="turning",
            mean={"battery_v": 12.001 + n / 1000}, min={}, max={},
            total={"charge_mwh": n * 101 + n * n, "wheel_mrev": n * 1_733, "charge_valid_ms": n * 10_000},
        )
        for n in range(1, 300)
    ]  # fmt: skip
    with Ledger(path, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, SITE, "Europe/London")
        keeper.records("wheel", Sent("0" * 16, 0, records), "t", 1_780_400_000_000)
        keeper.flush()


def test_the_v2_write_endpoint_holds_every_point_exactly(
    victoria: Any, forward: Callable[..., Any], state: Path
) -> None:
    few(state / FILE)
    desk = forward(victoria.where, deletes=False)
    desk.all()
    victoria.get("/internal/force_flush")
    rows = desk.ledger.records(SITE, 0, 1 << 45)
    for field in ("seq", "charge_mwh", "wheel_mrev"):
        _, body = victoria.get(f'/api/v1/export?match={{__name__="wheelpit_record_{field}"}}&start=0')
        found: dict[int, float] = {}
        for text in body.splitlines():
            told = json.loads(text)
            found |= dict(zip(told["timestamps"], told["values"], strict=True))
        want = {row.end_ms: row.seq if field == "seq" else row.totals[field] for row in rows}
        assert found == want
