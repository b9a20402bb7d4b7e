"""A simulated wheel with its pickup and node, and the watch over it."""

from __future__ import annotations

import sqlite3
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

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
        self.journal = JOURNAL
        self.seq = 0
        self.heard = True
        self.live_every_ms = 1_000
        self.step_ms = 20
        self.pickup_works = True
        self.battery_v = 13.4

    @property
    def now_ms(self) -> int:
        return START_MS + self.up_ms

    @property
    def alarms(self) -> list[AlarmRow]:
        return sorted(read_alarms(self.db), key=lambda row: row.episode)

    @property
    def raised(self) -> list[str]:
        return [row.condition for row in self.alarms]

    @property
    def last_edge_ms(self) -> int:
        """When the last magnet passed [Unix ms]."""
        assert self.pickup.last_ms is not None
        return START_MS + round(self.pickup.last_ms)

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
            journal=self.journal,
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
                "battery_v": self.battery_v,
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


def rocking(seconds: float, pattern: Sequence[float]) -> list[float]:
    """Return the times [s] of edges with the given gaps, over and over."""
    found, at, k = [], 0.0, 0
    while (at := at + pattern[k % len(pattern)]) < seconds:
        found.append(at)
        k += 1
    return found
