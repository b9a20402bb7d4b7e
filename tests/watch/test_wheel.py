"""The wheel's conditions, against a simulated wheel and pickup: when a stop is an alarm, which, and when not."""

from __future__ import annotations

import sqlite3
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from wheelpit.contract.messages import Live, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import PickupSensor
from wheelpit.plant.limits import limits_of
from wheelpit.store import migrate
from wheelpit.store.alarms import AlarmRow, AlarmStore, read_alarms
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from wheelpit.contract.names import WheelState

PLANT = load_plant(demo_plant_path())
LIMITS = limits_of(PLANT)
START_MS = 1_760_000_000_000
JOURNAL = "00d1ce00d1ce00d1"


class Pickup:
    """What a node tells of magnets at the given places (in turns), by the words of the wire contract."""

    def __init__(self, places: Sequence[float]) -> None:
        self.places = places
        self.gaps: deque[float] = deque(maxlen=len(places))
        self.last_ms: float | None = None
        self.standing = False

    def edge(self, at_ms: float) -> None:
        if self.last_ms is not None:
            if at_ms - self.last_ms > self.patience_ms:
                self.gaps.clear()
            else:
                self.gaps.append(at_ms - self.last_ms)
                self.standing = False
        self.last_ms = at_ms

    @property
    def patience_ms(self) -> float:
        return 2.4 * max(self.gaps) if self.whole else 30_000

    @property
    def whole(self) -> bool:
        return len(self.gaps) == len(self.places)

    def tell(self, up_ms: int) -> tuple[float | None, int | None, int | None]:
        """Return speed [rpm], age of the last edge and longest gap of the last turn [ms]."""
        if self.last_ms is None:
            return None, None, None
        age_ms = up_ms - self.last_ms
        if age_ms > self.patience_ms:
            self.gaps.clear()
            self.standing = True
        if self.standing or not self.gaps:
            return (0.0 if self.standing else None), round(age_ms), None
        turn_ms = sum(self.gaps) * len(self.places) / len(self.gaps)
        slower = max(1.0, age_ms / self.gaps[0])
        return 60_000 / turn_ms / slower, round(age_ms), round(max(self.gaps)) if self.whole else None


class Scene:
    """A wheel, its node and the watch over it, in simulated time."""

    def __init__(self, magnets: int = 4, places: Sequence[float] | None = None) -> None:
        self.pickup = Pickup(places or [k / magnets for k in range(magnets)])
        sensors = tuple(
            replace(s, magnets=len(self.pickup.places)) if isinstance(s, PickupSensor) else s
            for s in PLANT.sensors
        )
        self.plant = replace(PLANT, sensors=sensors)
        self.db = sqlite3.connect(":memory:", isolation_level=None)
        migrate.migrate(self.db, "test")
        self.watch = Watch(self.plant, AlarmStore(self.db), LIMITS)
        self.up_ms = 1_000_000
        self.turns = 0.0
        self.boot = 1
        self.seq = 0
        self.heard = True
        self.live_every_ms = 1_000
        self.step_ms = 20
        self.pickup_works = True

    @property
    def now_ms(self) -> int:
        return START_MS + self.up_ms

    @property
    def alarms(self) -> list[AlarmRow]:
        return sorted(read_alarms(self.db), key=lambda row: row.episode)

    @property
    def raised(self) -> list[str]:
        return [row.condition for row in self.alarms]

    def restart(self) -> None:
        self.watch = Watch(self.plant, AlarmStore(self.db), LIMITS)

    def run(
        self,
        seconds: float,
        rpm: float | Callable[[float], float] = 0.0,
        *,
        charge_a: float | None = 0.0,
        rectified_v: float | None = 20.0,
        state: WheelState | None = None,
        edges_at_s: Sequence[float] = (),
    ) -> None:
        """Let time pass; `rpm` may be a function of the seconds; `edges_at_s` are further, stray edges."""
        step_ms = self.step_ms
        stray = deque(1_000 * s for s in edges_at_s)
        for passed_ms in range(0, round(seconds * 1_000), step_ms):
            speed = rpm(passed_ms / 1_000) if callable(rpm) else rpm
            turned = speed / 60_000 * step_ms
            for place in self.pickup.places:
                ahead = (place - self.turns) % 1.0
                if 0 < ahead <= turned and self.pickup_works:
                    self.pickup.edge(self.up_ms + step_ms * ahead / turned)
            self.turns = (self.turns + turned) % 1.0
            while stray and stray[0] < passed_ms + step_ms:
                self.pickup.edge(self.up_ms + stray.popleft() - passed_ms)
            self.up_ms += step_ms
            if self.up_ms % self.live_every_ms == 0:
                self.speak(charge_a, rectified_v, state)

    def speak(self, charge_a: float | None, rectified_v: float | None, state: WheelState | None) -> None:
        rpm, age_ms, gap_ms = self.pickup.tell(self.up_ms)
        told: WheelState = "unknown" if rpm is None else "stopped" if rpm == 0 else "turning"
        if rpm is not None and 0 < rpm < 6.5:
            told = "slow"
        live = Live(
            journal=JOURNAL,
            boot=self.boot,
            up_ms=self.up_ms,
            at_ms=self.now_ms,
            clock="host",
            state=state or told,
            edge_age_ms=age_ms,
            edge_gap_ms=gap_ms,
            values={
                "wheel_rpm": None if rpm is None else round(rpm, 3),
                "charge_a": charge_a,
                "rectified_v": rectified_v,
                "battery_v": 13.4,
                "battery_degc": 10.0,
            },
        )
        if self.heard:
            self.watch.live("wheel", live, self.now_ms)
        self.watch.tick(self.now_ms)

    def record(self, state: WheelState, rpm: float, charge_a: float, end_up_ms: int) -> None:
        self.seq += 1
        seq = self.boot * SEQ_PER_BOOT + self.seq
        end_ms = START_MS + end_up_ms
        record = Record(
            seq=seq,
            first=seq,
            up_ms=end_up_ms,
            dur_ms=10_000,
            span_ms=10_000,
            end_ms=end_ms,
            clock="host",
            state=state,
            mean={"wheel_rpm": rpm, "charge_a": charge_a},
            min={},
            max={},
            total={},
        )
        self.watch.record("wheel", record, end_ms - 10_000, end_ms, self.now_ms)


def edge_ms(scene: Scene) -> int:
    assert scene.pickup.last_ms is not None
    return START_MS + round(scene.pickup.last_ms)


@pytest.mark.parametrize("magnets", [1, 2, 4])
@pytest.mark.parametrize("rpm", [6.6, 7.0, 10.4, 12.6, 25.0])
def test_a_sudden_stop_is_an_alarm_within_two_edge_periods_and_ten_seconds(magnets: int, rpm: float) -> None:
    scene = Scene(magnets)
    scene.run(120, rpm, charge_a=4.0)
    last_ms = edge_ms(scene)
    scene.run(120, 0.0)
    (alarm,) = scene.alarms
    period_ms = 60_000 / rpm / magnets
    assert (alarm.condition, alarm.priority) == ("stall", "high")
    assert alarm.raised_ms - last_ms <= 2 * period_ms + 10_000
    assert abs(alarm.onset_ms - last_ms) <= 20
    assert alarm.remedy.startswith(
        "Water off first. A jammed wheel holds full buckets and will leap when freed."
    )
    assert "daylight" in alarm.remedy


def test_magnets_placed_unevenly_are_waited_for_by_their_longest_gap() -> None:
    scene = Scene(places=[0.0, 0.1, 0.5])
    scene.run(180, 7.0, charge_a=1.0)
    assert scene.raised == []
    last_ms = edge_ms(scene)
    scene.run(120, 0.0)
    (alarm,) = scene.alarms
    assert alarm.condition == "stall"
    assert alarm.raised_ms - last_ms <= 2 * 0.5 * 60_000 / 7.0 + 10_000


def test_a_wheel_that_lopes_by_a_fifth_is_no_alarm() -> None:
    scene = Scene(1)
    for k in range(40):
        scene.run(8, 7.5 if k % 2 else 9.0, charge_a=1.0)
    assert scene.raised == []


def test_a_wheel_that_runs_down_over_minutes_is_low_water() -> None:
    scene = Scene()
    scene.run(120, 8.0, charge_a=1.0)
    scene.run(40, lambda s: 8.0 - s / 20, charge_a=0.3)  # down to 6 rpm
    scene.run(240, lambda s: max(0.0, 6.0 * (1 - s / 240)))
    scene.run(300, 0.0)
    assert len(scene.raised) == 1
    assert scene.raised[0] in ("underspeed", "ran_down")
    assert scene.alarms[0].priority == "low"
    assert scene.alarms[0].open


def test_a_wheel_that_runs_down_without_being_slow_for_long_is_told_as_run_down() -> None:
    scene = Scene()
    scene.run(120, 8.0, charge_a=1.0)
    scene.run(45, lambda s: max(0.0, 8.0 - s / 5), charge_a=0.0)
    scene.run(200, 0.0)
    assert scene.raised == ["ran_down"]


def test_slow_for_a_minute_is_underspeed_and_slow_for_less_is_not() -> None:
    scene = Scene()
    scene.run(120, 7.5, charge_a=1.0)
    scene.run(50, 6.2)
    scene.run(60, 7.0, charge_a=0.5)
    assert scene.raised == []
    began_ms = scene.now_ms
    scene.run(90, 6.2)
    (alarm,) = scene.alarms
    assert (alarm.condition, alarm.priority) == ("underspeed", "low")
    assert 60_000 <= alarm.raised_ms - began_ms <= 75_000
    assert (alarm.limit, alarm.unit) == (6.5, "rpm")
    assert "cut-in 6.7, cut-out 6.3 rpm" in alarm.reason


def test_a_stall_explains_the_slowness() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.run(900, 0.0)
    assert scene.raised == ["stall"]


def test_twenty_starts_and_stops_around_cut_in_are_one_episode() -> None:
    scene = Scene()
    scene.live_every_ms, scene.step_ms = 5_000, 100
    scene.run(600, 8.0, charge_a=1.0)
    for _ in range(10):
        scene.run(240, lambda s: 8.0 - s / 40, charge_a=0.2)
        scene.run(200, lambda s: max(0.0, 2.0 - s / 100))
        scene.run(1800, 0.0)
        scene.run(60, lambda s: s / 7.5)
        scene.run(1800, 8.0, charge_a=0.8)
    assert len(scene.raised) == 1
    assert scene.alarms[0].priority == "low"
    scene.run(4 * 3600, 9.0, charge_a=2.0)
    assert [row.open for row in scene.alarms] == [False]


def test_an_open_circuit_test_every_five_minutes_is_nothing() -> None:
    scene = Scene()
    for _ in range(12):
        scene.run(299, 12.6, charge_a=10.0, rectified_v=23.9)
        scene.run(1, 13.9, charge_a=0.0, rectified_v=30.0)
    assert scene.raised == []


def test_stopped_while_parked_is_nothing_and_neither_is_standing_after() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.run(5, 10.0, charge_a=4.0, state="parked")
    scene.run(3600, 0.0, state="parked")
    scene.run(600, 0.0)
    assert scene.raised == []
    scene.run(60, 10.0, charge_a=4.0)
    scene.run(60, 0.0)
    assert scene.raised == ["stall"]


def test_parking_does_not_end_a_stall_that_stands() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.run(60, 0.0)
    scene.run(600, 0.0, state="parked")
    scene.run(60, 0.0)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", True)]
    scene.run(60, 10.0, charge_a=4.0)
    assert [row.open for row in scene.alarms] == [False]


def test_no_edges_while_current_flows_is_a_dead_pickup_not_a_stall() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.pickup_works = False
    scene.run(120, 10.0, charge_a=4.1)
    assert scene.raised == ["pickup_silent"]
    # The water goes; with a dead pickup nothing can be said of the wheel.
    scene.run(300, 0.0, charge_a=0.0)
    assert scene.raised == ["pickup_silent"]
    scene.pickup_works = True
    scene.run(120, 10.0, charge_a=4.0)
    assert [row.open for row in scene.alarms] == [False]


def test_a_shunt_with_a_zero_error_does_not_hide_a_stall() -> None:
    scene = Scene()
    scene.run(120, 10.0, charge_a=4.15)
    scene.run(60, 0.0, charge_a=0.15)
    assert scene.raised == ["stall"]


def test_the_voltage_on_the_capacitor_is_no_proof_of_turning() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0, rectified_v=20.8)
    scene.run(60, 0.0, charge_a=0.0, rectified_v=20.7)
    assert scene.raised == ["stall"]


def rocking(seconds: float, pattern: Sequence[float]) -> list[float]:
    """Return the times [s] of edges with the given gaps, over and over."""
    found, at, k = [], 0.0, 0
    while (at := at + pattern[k % len(pattern)]) < seconds:
        found.append(at)
        k += 1
    return found


@pytest.mark.parametrize(
    "pattern",
    [
        pytest.param([0.4, 3.1, 0.5, 2.2, 0.3, 4.0], id="surging water"),
        pytest.param([0.6, 2.4], id="a pendulum off centre"),
        pytest.param([1.5], id="a pendulum over the pickup"),
    ],
)
def test_a_rocking_wheel_does_not_clear_a_stall(pattern: list[float]) -> None:
    scene = Scene()
    scene.run(120, 10.0, charge_a=4.0, rectified_v=20.8)
    scene.run(30, 0.0, rectified_v=20.5)
    assert scene.raised == ["stall"]
    for volts in (19.0, 17.0, 15.0):
        scene.run(300, 0.0, rectified_v=volts, edges_at_s=rocking(300, pattern))
        scene.run(60, 0.0, rectified_v=volts)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", True)]
    scene.run(90, 10.0, charge_a=4.0)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", False)]


def test_a_wheel_that_rocks_at_once_is_still_found_stalled() -> None:
    scene = Scene()
    scene.run(120, 10.0, charge_a=4.0)
    scene.run(120, 0.0, edges_at_s=rocking(120, [0.3, 2.6, 0.4, 3.4, 0.2, 3.9]))
    assert scene.raised == ["stall"]


def test_a_stray_edge_of_a_standing_wheel_does_not_make_its_sudden_stop_a_slow_one() -> None:
    scene = Scene()
    scene.run(120, 10.0, charge_a=4.0)
    last_ms = edge_ms(scene)
    scene.heard = False  # some messages are lost on the air
    scene.run(11, 0.0)
    scene.heard = True
    scene.run(60, 0.0, edges_at_s=[1.0])
    assert [(row.condition, row.onset_ms) for row in scene.alarms] == [
        ("stall", pytest.approx(last_ms, abs=20))
    ]


def test_a_freed_wheel_that_turns_without_current_clears_after_a_minute_of_even_turns() -> None:
    scene = Scene()
    scene.run(120, 10.0, charge_a=4.0)
    scene.run(60, 0.0, rectified_v=12.0)
    scene.run(40, 6.0, rectified_v=14.0)
    assert [row.open for row in scene.alarms] == [True]
    scene.run(80, 6.0, rectified_v=14.0)
    assert [row.open for row in scene.alarms if row.condition == "stall"] == [False]


def test_a_jam_that_frees_and_catches_again_is_one_episode() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    for _ in range(5):
        scene.run(40, 0.0)
        scene.run(20, 9.0, charge_a=3.0)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", True)]


@pytest.mark.parametrize("seconds", [1, 3, 5, 8, 60])
def test_a_restart_of_the_service_neither_doubles_nor_loses_a_stall(seconds: int) -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.record("turning", 10.0, 3.9, scene.up_ms)
    scene.run(seconds, 0.0)
    scene.restart()
    scene.run(60, 0.0)
    scene.restart()
    scene.run(60, 0.0)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", True)]
    scene.restart()
    scene.run(120, 10.0, charge_a=4.0)
    assert [(row.condition, row.open) for row in scene.alarms] == [("stall", False)]


def test_a_stop_while_the_service_was_away_is_known_from_the_records_that_come_later() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.heard = False
    scene.run(20, 10.0)
    stopped_up_ms = scene.up_ms
    scene.run(600, 0.0)
    scene.db = sqlite3.connect(":memory:", isolation_level=None)  # and the ledger is a new one
    migrate.migrate(scene.db, "test")
    scene.restart()
    scene.heard = True
    scene.run(5, 0.0)
    assert scene.raised == []
    # The node cuts a record when the wheel's state changes; its state is that of its end.
    scene.record("slow", 9.1, 3.1, stopped_up_ms + 2_300)
    scene.record("stopped", 3.0, 0.0, stopped_up_ms + 3_600)
    scene.record("stopped", 0.0, 0.0, stopped_up_ms + 13_600)
    scene.run(5, 0.0)
    (alarm,) = scene.alarms
    assert alarm.condition == "stall"
    assert abs(alarm.onset_ms - edge_ms(scene)) <= 20


def test_a_slow_end_while_the_service_was_away_is_known_from_the_records_too() -> None:
    scene = Scene()
    scene.run(60, 8.0, charge_a=1.0)
    scene.heard = False
    slow_up_ms = scene.up_ms
    scene.run(300, lambda s: 7.0 * (1 - s / 300))
    scene.run(600, 0.0)
    scene.restart()
    scene.heard = True
    scene.record("slow", 7.0, 0.4, slow_up_ms + 10_000)
    scene.record("slow", 5.0, 0.0, slow_up_ms + 80_000)
    scene.run(120, 0.0)
    assert [name for name in scene.raised if name != "telemetry_lost"] == ["ran_down"]


def test_a_wheel_parked_while_the_service_was_away_did_not_stall() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.record("turning", 10.0, 4.0, scene.up_ms)
    scene.restart()
    scene.heard = False
    scene.run(10, 0.0)
    scene.record("parked", 2.0, 0.0, scene.up_ms)
    scene.heard = True
    scene.restart()
    scene.run(120, 0.0)
    assert scene.raised == []


def test_a_wheel_that_was_never_seen_turning_is_no_alarm() -> None:
    scene = Scene()
    scene.run(1, 0.0, edges_at_s=[0.5])
    scene.run(3600, 0.0)
    assert scene.raised == []


def test_wifi_off_at_night_loses_telemetry_and_raises_nothing_else() -> None:
    scene = Scene()
    scene.live_every_ms, scene.step_ms = 5_000, 100
    for _ in range(3):
        scene.run(3600, 8.0, charge_a=1.0)
        scene.heard = False
        scene.run(3600, 6.0)  # slow, then stopped and started again, unseen
        scene.run(1800, 0.0)
        scene.run(1800, 9.0)
        scene.heard = True
    scene.run(600, 9.0, charge_a=2.0)
    assert scene.raised == ["telemetry_lost"] * 3
    assert [row.open for row in scene.alarms] == [False] * 3


def test_a_stall_that_stands_is_neither_cleared_nor_raised_again_while_nothing_is_heard() -> None:
    scene = Scene()
    scene.run(60, 10.0, charge_a=4.0)
    scene.run(60, 0.0)
    scene.heard = False
    scene.run(600, 10.0)
    assert [row.open for row in scene.alarms if row.condition == "stall"] == [True]
    scene.heard = True
    scene.run(20, 0.0)
    assert [row.open for row in scene.alarms if row.condition == "stall"] == [True]
    scene.run(90, 10.0, charge_a=4.0)
    assert [row.open for row in scene.alarms if row.condition == "stall"] == [False]
