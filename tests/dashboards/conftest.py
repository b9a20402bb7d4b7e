"""Ledgers in every state the board may find, written through the service's own booking."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field
from math import pi, sin
from typing import TYPE_CHECKING, Final

import msgspec
import pytest

from wheelpit import places
from wheelpit.contract.messages import Birth, ChannelInfo, Live, Record
from wheelpit.contract.names import SEQ_PER_BOOT, WheelState
from wheelpit.places import bundled
from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.store.alarms import AlarmStore, Raised
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.live import FILE as LIVE_FILE
from wheelpit.store.live import LiveStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# The board's own modules lie beside its entry file, where Streamlit finds them.
if str(bundled("dashboards")) not in sys.path:
    sys.path.insert(0, str(bundled("dashboards")))

JOURNAL: Final = "7a11000000000001"
NODE: Final = "wheel"
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS


@dataclass
class Clock:
    """The time the pages go by: it stands where a node last spoke, however slow the machine is."""

    at_ms: int | None = None

    def now_ms(self) -> int:
        return now_ms() if self.at_ms is None else self.at_ms


@dataclass
class Site:
    """A site's state folder, filled as a node and the service would fill it.

    Energies follow from the values and the span, so a reader can check what it gets back.
    """

    state: Path
    plant: Plant
    boot: int = 0
    seq: int = 0
    begun_ms: int = 0
    ended_ms: int = 0
    totals: dict[str, int] = field(default_factory=dict)
    clock: Clock = field(default_factory=Clock)

    @property
    def ledger(self) -> Path:
        return self.state / FILE

    def place_plant(self) -> None:
        shutil.copyfile(demo_plant_path(), self.state / "plant.toml")

    def make_ledger(self) -> None:
        with Ledger(self.ledger, now_ms()) as ledger, ledger.transaction() as db:
            Bookkeeper(db, self.plant.site.id, self.plant.site.time_zone).flush()

    def book(self, records: list[Record], after: int) -> None:
        """Book records of one message after another, as the service does."""
        with Ledger(self.ledger, now_ms()) as ledger, ledger.transaction() as db:
            book = Bookkeeper(db, self.plant.site.id, self.plant.site.time_zone)
            book.birth(NODE, self.birth(), now_ms())
            taken = book.records(NODE, Sent(JOURNAL, after, tuple(records)), "test", now_ms())
            book.flush()
        assert taken.upto == records[-1].seq, "the ledger refused a record of the fixture"

    def birth(self) -> Birth:
        return Birth(
            journal=JOURNAL,
            boot=max(self.boot, 1),
            chip="7a11",
            oldest=0,
            newest=0,
            firmware="1",
            interpreter="1",
            board="test",
            reset="power",
            record_s=10,
            channels={name: ChannelInfo(source="test") for name in sorted(self.plant.channels)},
            totals=[],
            capacity=1000,
            held=0,
        )

    def record(
        self, end_ms: int, span_ms: int, values: dict[str, float | None], state: WheelState = "turning"
    ) -> Record:
        """Make the node's next record; a new boot begins where it does not follow the last one."""
        if end_ms - span_ms > self.ended_ms or self.boot == 0:
            self.boot, self.seq, self.begun_ms, self.totals = self.boot + 1, 0, end_ms - span_ms, {}
        self.seq += 1
        self.ended_ms = end_ms
        rpm, volts, charge = (values.get(name) for name in ("wheel_rpm", "battery_v", "charge_a"))
        self._add("turning_ms" if state in {"turning", "slow"} else "stopped_ms", span_ms)
        if rpm is not None:
            self._add("wheel_valid_ms", span_ms)
            self._add("wheel_mrev", round(rpm * span_ms / 60))
        if volts is not None and charge is not None:
            self._add("charge_valid_ms", span_ms)
            self._add("charge_mwh", round(volts * charge * span_ms / 3600))
            self._add("charge_mas", round(charge * span_ms))
            self._add("charging_ms", span_ms if charge > 0 else 0)
        ahead, rect_a = values.get("rectified_v"), values.get("rectified_a")
        if ahead is not None and rect_a is not None:
            self._add("rectified_valid_ms", span_ms)
            self._add("rectified_mwh", round(ahead * rect_a * span_ms / 3600))
        dump = values.get("dump_a")
        if volts is not None and dump is not None:
            self._add("dump_valid_ms", span_ms)
            self._add("dump_mwh", round(volts * dump * span_ms / 3600))
        seq = self.boot * SEQ_PER_BOOT + self.seq
        return Record(
            seq=seq,
            first=seq,
            up_ms=end_ms - self.begun_ms,
            dur_ms=span_ms,
            span_ms=span_ms,
            end_ms=end_ms,
            clock="host",
            state=state,
            mean=values,
            min=values,
            max=values,
            total=dict(self.totals),
        )

    def run(self, from_ms: int, to_ms: int, span_ms: int) -> None:
        """Book a plausible stretch: a stream that swells and falls, a bank that fills."""
        after = self.boot * SEQ_PER_BOOT + self.seq if self.boot else 0
        records = [
            self.record(end_ms, span_ms, values_at(end_ms))
            for end_ms in range(from_ms + span_ms, to_ms + 1, span_ms)
        ]
        self.book(records, after)

    def speak(self, values: dict[str, float | None], *, ago_s: float = 0.5, state: WheelState = "turning",
              faults: dict[str, str] | None = None, node: str = NODE) -> None:  # fmt: skip
        """Leave a live message that arrived `ago_s` ago."""
        live = Live(
            journal=JOURNAL,
            boot=1,
            up_ms=1000,
            at_ms=None,
            clock="none",
            state=state,
            edge_age_ms=100,
            edge_gap_ms=1400,
            values=values,
            faults=faults or {},
        )
        self.clock.at_ms = now_ms()
        arrived_ms = self.clock.at_ms - round(ago_s * 1000)
        store = LiveStore(self.state / LIVE_FILE)
        store.keep(self.plant.site.id, {node: (arrived_ms, msgspec.json.encode(live))})
        store.close()

    def raise_alarm(self, condition: str, priority: str, title: str, remedy: str) -> None:
        raised = Raised(
            site=self.plant.site.id,
            node=NODE,
            condition=condition,
            priority=priority,  # type: ignore[arg-type] # the callers name one of the four
            onset_ms=now_ms() - 12 * 60_000,
            raised_ms=now_ms() - 11 * 60_000,
            value=0.0,
            limit=6.3,
            unit="rpm",
            title=title,
            text="A branch, or ice.",
            remedy=remedy,
            reason="cut-out 6.3 rpm",
        )
        with Ledger(self.ledger, now_ms()) as ledger, ledger.transaction() as db:
            AlarmStore(db).raise_episode(raised, title, remedy)

    def _add(self, total: str, amount: int) -> None:
        self.totals[total] = self.totals.get(total, 0) + amount


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def values_at(at_ms: int) -> dict[str, float | None]:
    """Return believable values of Sallow Ghyll at a time: more water in winter, a little sway over minutes."""
    season = 0.55 + 0.35 * sin(2 * pi * (at_ms / DAY_MS - 290) / 365)
    share = max(0.05, season + 0.12 * sin(at_ms / (5.3 * DAY_MS)) + 0.02 * sin(at_ms / 47_000))
    charge = 10.0 * share
    volts, ahead = 13.1 + 0.8 * share, 16.4 + 7 * share
    return {
        "wheel_rpm": round(7.2 + 5 * share, 3),
        "rectified_v": round(ahead, 3),
        "rectified_a": round(charge * volts / ahead / 0.92, 3),
        "charge_a": round(charge, 3),
        "battery_v": round(volts, 3),
        "battery_a": round(charge - 2.4, 3),
        "dump_a": 0.0,
        "battery_degc": round(9 + 3 * share, 2),
    }


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def site(state: Path, clock: Clock) -> Site:
    """A site with its plant file and nothing else."""
    it = Site(state, load_plant(demo_plant_path()), clock=clock)
    it.place_plant()
    return it


@pytest.fixture(scope="session")
def year_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state folder with a year behind it; made once.

    Half an hour of each day, none in three days, then two whole weeks and a last hour with a gap in it.
    """
    it = Site(tmp_path_factory.mktemp("year"), load_plant(demo_plant_path()))
    it.place_plant()
    now = now_ms() // 10_000 * 10_000
    hour = now // HOUR_MS * HOUR_MS - HOUR_MS
    start = hour - 365 * DAY_MS
    half_hours = [
        it.record(start + day * DAY_MS + HOUR_MS, HOUR_MS // 2, values_at(start + day * DAY_MS))
        for day in range(350)
        if day not in {40, 41, 42}
    ]
    it.book(half_hours, 0)
    it.run(start + 350 * DAY_MS, hour, HOUR_MS)
    it.run(hour, now - 1_800_000, 10_000)
    it.run(now - 1_500_000, now, 10_000)
    return it.state


@pytest.fixture
def year(site: Site, year_folder: Path) -> Site:
    """A site with a year behind it."""
    shutil.copytree(year_folder, site.state, dirs_exist_ok=True)
    return site


@dataclass(frozen=True)
class Running:
    """A board that runs and takes readings: its process, its port and its address."""

    process: subprocess.Popen[str]
    port: int
    url: str

    def bench(self) -> str:
        """Read the address at which readings are taken from what the command says; once."""
        assert self.process.stdout is not None
        return next(line.split()[-1] for line in self.process.stdout if "/bench?code=" in line)


@pytest.fixture
def running(site: Site) -> Iterator[Running]:
    """Run `wheelpit board`, told to take readings, on the site's folder for the length of a test."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from wheelpit.cli import main; main()",
            "board",
            "--state",
            str(site.state),
            "--bench",
            "--listen",
            "127.0.0.1",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 90
    while (told := places.running(site.state, "board")) is None:
        if process.poll() is not None or time.monotonic() > deadline:
            process.kill()
            pytest.fail(f"the board did not come up: {process.communicate()}")
        time.sleep(0.1)
    yield Running(process, told["port"], told["url"])
    if process.poll() is None:
        process.terminate()
    process.communicate(timeout=30)
