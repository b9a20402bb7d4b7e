"""What is kept of past months never changes an answer: columns with it are those without, to the last bit."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store import kept
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.kept import Kept
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Iterable

    from wheelpit.store.columns import BucketColumns

SITE: Final = "site"
HOUR_MS: Final = 3_600_000
FIRST_MS: Final = (
    1_774_656_000_000  # 2026-03-28: the clocks go forward in London on the 29th, a month ends on the 31st
)
HOURS: Final = 10 * 24
TOTALS: Final = ("charge_mwh", "charge_valid_ms", "load_mwh", "dump_mwh")
CHANNELS: Final = ("battery_v", "wheel_rpm", "stage_m")
ZONES: Final = ("Europe/London", "Pacific/Auckland")


def recorded(number: int, hour: int, amount: int) -> tuple[Sent, int]:
    """Return a record of an hour or so, from a store of its own: it may come at any time."""
    end_ms, span_ms = FIRST_MS + hour * HOUR_MS, HOUR_MS + amount * 1000
    extra = {"load_mwh": 3 * amount} if amount % 3 == 0 else {}
    values: dict[str, float | None] = {"battery_v": 12 + amount / 1000}
    if amount % 2:
        values["wheel_rpm"] = 8.0 + amount % 7
    record = Record(
        seq=SEQ_PER_BOOT + 1, first=SEQ_PER_BOOT + 1, up_ms=span_ms, dur_ms=span_ms, span_ms=span_ms, end_ms=end_ms,
        clock="host", state="turning", mean=values, min=values, max=values,
        total={"charge_mwh": 1000 + amount, "charge_valid_ms": span_ms, **extra},
    )  # fmt: skip
    return Sent(f"{number:016x}", 0, (record,)), end_ms


@pytest.fixture(scope="module")
def ten_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger of ten days."""
    made = World(tmp_path_factory.mktemp("ten") / FILE)
    made.book((number, hour, hour) for number, hour in enumerate(range(0, HOURS, 9), 1))
    return made.path


class World:
    """A ledger in the place of which others can come, and what is kept beside it."""

    def __init__(self, path: Path, like: Path | None = None) -> None:
        self.folder = path.parent
        self.path = path
        self.season = self.folder / "season.db"
        self.journals = count(100)
        self.zone = ZONES[0]
        if like is not None:
            shutil.copyfile(like, path)

    def book(self, told: Iterable[tuple[int, int, int]]) -> None:
        ledger = Ledger(self.path, 0)
        with ledger.transaction() as db:
            keeper = Bookkeeper(db, SITE, self.zone)
            for number, hour, amount in told:
                sent, end_ms = recorded(number, hour, amount)
                keeper.records(f"node-{amount % 2}", sent, "a/topic", end_ms)
            keeper.flush()
        ledger.close()

    def add(self, hour: int, amount: int) -> None:
        self.book([(next(self.journals), hour, amount)])

    def another_zone(self) -> None:
        self.zone = ZONES[self.zone == ZONES[0]]
        self.book([])

    def back_up(self) -> None:
        shutil.copyfile(self.path, self.folder / "backup.db")

    def restore(self) -> None:
        if (self.folder / "backup.db").is_file():
            shutil.copyfile(self.folder / "backup.db", self.path)
            self.zone = LedgerReader(self.path).time_zone(SITE)

    def another_ledger(self) -> None:
        self.path.unlink()
        self.add(17, 17)

    def spoil(self, at: int, byte: int) -> None:
        """Change some bytes of what is kept, as a bad card does."""
        if self.season.is_file():
            held = bytearray(self.season.read_bytes())
            for place in range(at % 997, len(held), 997):
                held[place] ^= byte
            self.season.write_bytes(held)

    def cut_short(self, at: int, _byte: int) -> None:
        if self.season.is_file():
            self.season.write_bytes(self.season.read_bytes()[: at * 16])

    def foreign(self, _at: int, byte: int) -> None:
        """Put somebody else's database into its place, of any form."""
        self.season.unlink(missing_ok=True)
        with closing(sqlite3.connect(self.season)) as db:
            db.executescript(f"CREATE TABLE month (tide TEXT); PRAGMA user_version = {byte % 5}")

    def check(self, names: tuple[str, ...], channels: tuple[str, ...], from_hour: int, hours: int) -> None:
        from_ms = FIRST_MS + from_hour * HOUR_MS
        asked = (SITE, from_ms, from_ms + hours * HOUR_MS, names, channels)
        reader = LedgerReader(self.path)
        same(Kept(reader, self.season).columns(*asked), reader.bucket_columns(*asked))


def same(found: BucketColumns, true: BucketColumns) -> None:
    """Check that columns are alike to the last bit, and that there are no others."""
    assert found.start_ms.tolist() == true.start_ms.tolist()
    assert found.end_ms.tolist() == true.end_ms.tolist()
    for of, told in ((found.totals, true.totals), (found.valid_ms, true.valid_ms), (found.mean, true.mean)):
        assert {name: column.tobytes() for name, column in of.items()} == {
            name: column.tobytes() for name, column in told.items()
        }


HOUR: Final = st.integers(0, HOURS)
SOME: Final = st.integers(1, 255)
STEPS: Final = st.lists(
    st.one_of(
        st.tuples(st.just("add"), HOUR, SOME),
        st.tuples(st.sampled_from(["another_zone", "back_up", "restore", "another_ledger"])),
        st.tuples(st.sampled_from(["spoil", "cut_short", "foreign"]), st.integers(0, 9999), SOME),
    ),
    min_size=1,
    max_size=5,
)
QUESTION: Final = st.tuples(
    st.lists(st.sampled_from(TOTALS), unique=True).map(tuple),
    st.lists(st.sampled_from(CHANNELS), unique=True).map(tuple),
    HOUR,
    st.integers(1, HOURS),
)


@settings(max_examples=10, deadline=None)
@given(steps=STEPS, questions=st.lists(QUESTION, min_size=6, max_size=6))
def test_columns_are_the_ledgers_whatever_happened(
    ten_days: Path, steps: list[Any], questions: list[Any]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        world = World(Path(folder) / FILE, ten_days)
        world.check(*questions[-1])
        for (name, *how), question in zip(steps, questions, strict=False):
            getattr(world, name)(*how)
            world.check(*question)
            world.check(TOTALS, CHANNELS, -24, HOURS + 48)


@pytest.fixture
def world(tmp_path: Path, ten_days: Path) -> World:
    return World(tmp_path / FILE, ten_days)


def test_a_freshly_read_month_gives_what_was_asked_for_and_no_more(world: World) -> None:
    for _ in range(2):
        world.check(("load_mwh",), ("wheel_rpm",), 0, HOURS)
    world.check(("dump_mwh",), ("battery_v", "stage_m"), 0, HOURS)


def test_a_file_that_is_spoilt_down_to_its_table_names_is_made_anew(world: World) -> None:
    world.check(TOTALS, CHANNELS, 0, HOURS)
    world.spoil(483, 128)
    for _ in range(2):
        world.check(TOTALS, CHANNELS, 0, HOURS)


def test_days_that_a_restored_ledger_lost_are_gone(world: World) -> None:
    world.back_up()
    world.add(HOURS + 72, 5)
    world.check(TOTALS, CHANNELS, 0, HOURS + 96)
    world.restore()
    world.check(TOTALS, CHANNELS, 0, HOURS + 96)


@pytest.mark.parametrize("where", ["none/season.db", "ledger.db/season.db", "."])
def test_where_nothing_can_be_kept_it_only_costs_time(world: World, where: str) -> None:
    world.season = world.folder / where
    for _ in range(2):
        world.check(TOTALS, CHANNELS, 0, HOURS)


def test_months_that_are_kept_are_not_read_again(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = (SITE, FIRST_MS, FIRST_MS + HOURS * HOUR_MS, TOTALS, CHANNELS)
    reader = LedgerReader(world.path)
    true = reader.bucket_columns(*asked)
    same(Kept(reader, world.season).columns(*asked), true)
    monkeypatch.delattr(LedgerReader, "bucket_columns")
    same(Kept(reader, world.season).columns(*asked), true)


def test_one_that_is_busy_keeps_nobody(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_BUSY_S", 0.01)
    world.check(TOTALS, CHANNELS, 0, HOURS)
    with closing(sqlite3.connect(world.season, isolation_level=None)) as db:
        db.execute("BEGIN EXCLUSIVE")
        world.check(TOTALS, CHANNELS, 0, HOURS)
        world.add(3, 3)
        world.check(TOTALS, CHANNELS, 0, HOURS)


OTHER: Final = """
import sys
from pathlib import Path
from wheelpit.store.kept import Kept
from wheelpit.store.reader import LedgerReader
ledger, season, from_ms, to_ms = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
reader = LedgerReader(ledger)
asked = ("site", from_ms, to_ms, ("charge_mwh",), ("battery_v",))
true = reader.bucket_columns(*asked)
print("begun", flush=True)
for round in range(20):
    found = Kept(reader, season).columns(*asked)
    assert found.totals["charge_mwh"].tobytes() == true.totals["charge_mwh"].tobytes()
    assert found.mean["battery_v"].tobytes() == true.mean["battery_v"].tobytes()
    season.unlink(missing_ok=True)
"""


def test_two_processes_at_once(world: World) -> None:
    told = (world.path, world.season, FIRST_MS, FIRST_MS + HOURS * HOUR_MS)
    command = [sys.executable, "-c", OTHER, *map(str, told)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"begun\n"
        while other.poll() is None:
            world.check(("charge_mwh",), ("battery_v",), 0, HOURS)
    assert other.returncode == 0
