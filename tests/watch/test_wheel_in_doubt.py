"""Rocking wheels, dead pickups, restarts and silence: what the edges alone do not tell."""

from __future__ import annotations

import sqlite3

import pytest
from tests.watch.scene import Pickup, Scene, rocking

from wheelpit.store import migrate


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
    last_ms = scene.last_edge_ms
    scene.heard = False  # some messages are lost on the air
    scene.run(11, 0.0)
    scene.heard = True
    scene.run(60, 0.0, edges_at_s=[1.0])
    (alarm,) = scene.alarms
    assert alarm.condition == "stall"
    assert abs(alarm.onset_ms - last_ms) <= 20


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
    assert abs(alarm.onset_ms - scene.last_edge_ms) <= 20


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


def test_another_board_at_a_standing_wheel_knows_nothing_of_how_it_stopped() -> None:
    scene = Scene()
    scene.run(60, 8.0, charge_a=1.0)
    scene.run(5, 8.0, charge_a=1.0, state="parked")
    scene.run(30, 0.0, state="parked")
    scene.run(60, 8.0, charge_a=1.0)
    scene.heard = False
    scene.run(40, lambda s: 8.0 - s / 5)
    scene.journal = "00000000000000ff"
    scene.up_ms = 100_000
    scene.pickup = Pickup(scene.pickup.places)
    scene.heard = True
    scene.run(120, 0.0, edges_at_s=[3.0])
    assert scene.raised == []


def test_magnets_close_together_are_no_rocking_when_the_current_ceases() -> None:
    scene = Scene(places=[0.0, 0.04])
    scene.run(180, 10.0, charge_a=4.0)
    scene.run(600, 11.0, charge_a=0.0, rectified_v=30.0)
    assert scene.raised == ["not_charging"]


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
