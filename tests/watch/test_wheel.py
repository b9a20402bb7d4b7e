"""When a stop of the wheel is an alarm, which, and when it is none."""

from __future__ import annotations

import pytest
from tests.watch.scene import Scene


@pytest.mark.parametrize("magnets", [1, 2, 4])
@pytest.mark.parametrize("rpm", [6.6, 7.0, 10.4, 12.6, 25.0])
def test_a_sudden_stop_is_an_alarm_within_two_edge_periods_and_ten_seconds(magnets: int, rpm: float) -> None:
    scene = Scene(magnets)
    scene.run(120, rpm, charge_a=4.0)
    last_ms = scene.last_edge_ms
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
    last_ms = scene.last_edge_ms
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
