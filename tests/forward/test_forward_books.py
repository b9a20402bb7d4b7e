"""The same books from either store, over days on which the clocks change, with real servers."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner
from tests.forward import leat

from wheelpit.accounts.books import day_books
from wheelpit.cli import main
from wheelpit.contract.messages import Record
from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS
from wheelpit.demo.past import give_past
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.database import BUCKET, TOKEN, URL
from wheelpit.store.days import LocalDays
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.packing import Layout, Stored
from wheelpit.store.rollup import cut

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wheelpit.store.database import Database
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
    influx: Any,
    forward: Callable[..., Any],
    past: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
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
    assert database.columns(SITE) == ledger.columns(SITE)
    names, channels = tuple(TOTALS), tuple(CHANNELS)
    mine = ledger.bucket_columns(SITE, first, last, names, channels)
    theirs = database.bucket_columns(SITE, first, last, names, channels)
    assert mine.start_ms.tolist() == theirs.start_ms.tolist()
    assert mine.end_ms.tolist() == theirs.end_ms.tolist()
    assert {name: column.tolist() for name, column in mine.totals.items()} == {
        name: column.tolist() for name, column in theirs.totals.items()
    }
    np.testing.assert_equal(theirs.mean, mine.mean)
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
    other = tmp_path / leat.SITE
    other.mkdir()
    leat.give(other)
    forward(influx.where, other).all()
    commands_agree(influx.where, other, tmp_path, monkeypatch)


# A match takes the wheel's own curve, and says so of either.
ASKED = (
    ("books", "--gaps"),
    ("books", "--json"),
    ("books", "--from-records"),
    ("cascade", "--json"),
    ("hours", "--fine", "--json"),
    ("hours", "--from", "2025-03-28", "--to", "2025-03-31"),
    ("season", "--all", "--json"),
    ("battery", "--json"),
    ("match",),
    ("report", "--year", "2026"),
    ("export", "--what", "records"),
    ("export", "--what", "buckets"),
    ("export", "--what", "days"),
)


def commands_agree(where: Database, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask both stores the same; then the database alone, far from the plant's folder."""
    for name, value in ((URL, where.url), (BUCKET, where.bucket), (TOKEN, where.token)):
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("time.time_ns", lambda: leat.NOW_MS * 1_000_000)
    out = tmp_path / "out"

    def told(store: str, state: Path, *words: str) -> str:
        more = [] if words[0] == "report" else ["--site", leat.SITE]
        if words[0] == "report":
            more += ["--out", str(out)]
        if words[0] == "export":
            more += ["--format", "csv", "--replace", str(out)]
        done = CliRunner().invoke(main, [*words, *more, "--store", store, "--state", str(state)])
        assert done.exit_code in {0, 2}, done.output
        return done.output + (out.read_text("utf-8") if str(out) in more else "")

    for words in ASKED:
        mine, theirs = (told(store, folder, *words) for store in ("ledger", "influx"))
        assert mine == theirs, words
    # What the columns are made of is there: stops, a step's resistance, a bank that is counted, what has no date.
    assert "the wheel stopped at 2026-03-" in told("influx", folder, "hours", "--fine")
    assert "resistance" in told("influx", folder, "battery")
    assert "undated: 12.345 Wh" in told("influx", folder, "books")

    mill = tmp_path / "mill"
    mill.mkdir()
    shutil.copy(folder / "plant.toml", mill)
    for words in (("season",), ("battery",), ("report", "--year", "2026")):
        said = " ".join(told("influx", mill, *words).split())
        assert "has no logbook.db: copy it there" in said, words
        assert words[0] != "report" or "Not known here: alarms are only in the ledger" in said


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
