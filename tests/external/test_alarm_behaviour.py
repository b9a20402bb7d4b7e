"""How an alarm behaves in time, against the open standard for alarms and conditions.

OPC 10000-9 (OPC UA Part 9, "Alarms & Conditions"), annex B.1.5 "Example for On-Delay, Off Delay and ReAlarmTime",
and 5.8.2, which says that it follows IEC 62682 and ISA-18.2: https://reference.opcfoundation.org/Core/Part9/B.1.5/
The plant, its limit and its delays are ours; the behaviour is the standard's.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

import pytest

from wheelpit.contract.messages import Live
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.limits import limits_of
from wheelpit.store import migrate
from wheelpit.store.alarms import AlarmRow, AlarmStore, read_alarms
from wheelpit.watch.conditions import delays_of
from wheelpit.watch.requests import Seen
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.source(
    "OPC 10000-9 (OPC UA Part 9: Alarms & Conditions), annex B.1.5 and clause 5.8.2, reference.opcfoundation.org"
)

PLANT = load_plant(demo_plant_path())
LIMITS = limits_of(PLANT)
NORMAL_V = 14.0


class Signal:
    """One process value with a high limit: the battery's voltage, one value a second."""

    def __init__(self) -> None:
        self.db = sqlite3.connect(":memory:", isolation_level=None)
        migrate.migrate(self.db, "test")
        self.watch = Watch(PLANT, AlarmStore(self.db), LIMITS)
        self.limit_v = self.watch.limits.overcharge_v(25.0)
        self.delays = delays_of("overcharge", self.watch.limits)
        self.up_ms = 10_000

    def hold(self, volts: float, ms: float) -> None:
        for _ in range(round(ms / 1_000)):
            self.up_ms += 1_000
            live = Live(
                journal="0" * 16,
                boot=1,
                up_ms=self.up_ms,
                at_ms=None,
                clock="none",
                state="unknown",
                edge_age_ms=None,
                edge_gap_ms=None,
                values={"battery_v": volts, "battery_degc": 25.0},
            )
            self.watch.live("wheel", live, 1_700_000_000_000 + self.up_ms)
            self.watch.tick(1_700_000_000_000 + self.up_ms)

    def acknowledge(self) -> None:
        assert self.watch.acknowledge(Seen.of(self.alarm, 1_700_000_000_000 + self.up_ms))

    @property
    def alarms(self) -> list[AlarmRow]:
        return read_alarms(self.db)

    @property
    def alarm(self) -> AlarmRow:
        (row,) = self.alarms
        return row

    @property
    def state(self) -> str:
        return self.alarm.state


@pytest.fixture
def signal() -> Iterator[Signal]:
    made = Signal()
    made.hold(NORMAL_V, 5_000)
    yield made
    made.db.close()


def test_a_value_above_the_limit_for_less_than_the_on_delay_is_no_alarm(signal: Signal) -> None:
    # The standard's example: the current of a motor that starts.
    for _ in range(20):
        signal.hold(signal.limit_v + 1.0, signal.delays.on_ms - 1_000)
        signal.hold(NORMAL_V, 3_000)
    assert signal.alarms == []


def test_a_value_above_the_limit_for_the_on_delay_is_an_alarm(signal: Signal) -> None:
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    assert signal.state == "unacknowledged"


def test_a_value_that_jumps_about_the_limit_inside_the_deadband_stays_one_alarm(signal: Signal) -> None:
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    for _ in range(60):
        signal.hold(signal.limit_v - 0.1, 5_000)
        signal.hold(signal.limit_v + 0.1, 5_000)
    signal.hold(signal.limit_v - 0.1, 10 * signal.delays.off_ms)
    assert signal.alarm.open


def test_a_value_below_the_limit_for_less_than_the_off_delay_stays_in_alarm(signal: Signal) -> None:
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    for _ in range(10):
        signal.hold(NORMAL_V, signal.delays.off_ms - 1_000)
        signal.hold(signal.limit_v + 0.1, 1_000)
    assert signal.alarm.open


def test_a_value_below_the_limit_for_the_off_delay_is_no_alarm_any_more(signal: Signal) -> None:
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    signal.hold(NORMAL_V, signal.delays.off_ms + 1_000)
    assert signal.state == "returned, unacknowledged"


def test_an_acknowledged_alarm_that_still_stands_is_unacknowledged_after_the_re_alarm_time(
    signal: Signal,
) -> None:
    assert signal.delays.remind_ms is not None
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    signal.acknowledge()
    assert signal.state == "acknowledged"
    signal.hold(signal.limit_v + 0.1, signal.delays.remind_ms - 2_000)
    assert signal.state == "acknowledged"
    signal.hold(signal.limit_v + 0.1, 4_000)
    assert signal.state == "unacknowledged"


def test_an_acknowledged_alarm_that_returns_is_normal(signal: Signal) -> None:
    signal.hold(signal.limit_v + 0.1, signal.delays.on_ms + 1_000)
    signal.acknowledge()
    signal.hold(NORMAL_V, signal.delays.off_ms + 1_000)
    assert signal.state == "normal"
