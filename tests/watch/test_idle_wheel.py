"""A wheel that turns and charges nothing: what it is told as, and what is none.

Voltages of the unloaded wheel are those of its alternator, 0.14 V for each turn a minute at a ratio of 18 (the plant's
own description); that a lost belt leaves the capacitor's voltage and a lost load lifts it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from tests.watch.scene import PLANT, Scene

from wheelpit.store.alarms import AlarmStore
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def scene() -> Iterator[Scene]:
    made = Scene()
    made.step_ms = 50
    made.run(60, 10.0, charge_a=4.0, rectified_v=21.0)
    yield made
    made.db.close()


def test_a_fuse_that_opens_at_low_water_is_turning_without_charging(scene: Scene) -> None:
    began_ms = scene.now_ms
    scene.run(120, 14.0, charge_a=0.0, rectified_v=35.0)
    (alarm,) = scene.alarms
    assert (alarm.condition, alarm.priority) == ("not_charging", "high")
    assert alarm.raised_ms - began_ms <= 35_000
    assert alarm.remedy.startswith("Keep hands off the wiring.")
    scene.run(90, 9.0, charge_a=4.0, rectified_v=20.0)
    assert [row.open for row in scene.alarms] == [False]


def test_a_load_that_is_lost_with_much_water_is_one_alarm_and_not_two(scene: Scene) -> None:
    scene.run(300, 22.0, charge_a=0.0, rectified_v=55.0)
    assert scene.raised == ["rectified_high"]


def test_a_belt_that_comes_off_is_one_alarm_and_no_other(scene: Scene) -> None:
    scene.run(120, 24.0, charge_a=0.0, rectified_v=19.0)
    (alarm,) = scene.alarms
    assert (alarm.condition, alarm.priority) == ("belt_lost", "high")
    assert alarm.remedy.startswith("Water off first; do not catch the belt")


def test_a_controller_that_opens_the_circuit_for_seconds_is_nothing(scene: Scene) -> None:
    for _ in range(6):
        scene.run(10, 14.0, charge_a=0.0, rectified_v=35.0)
        scene.run(20, 10.0, charge_a=4.0, rectified_v=21.0)
    assert scene.raised == []


def test_a_wheel_below_cut_in_and_a_shunt_the_wrong_way_round_are_nothing_of_the_kind(scene: Scene) -> None:
    scene.run(50, 6.6, charge_a=0.0, rectified_v=15.6)
    scene.run(120, 10.0, charge_a=-4.0, rectified_v=21.0)
    assert not {"not_charging", "belt_lost", "back_feed"} & {*scene.raised}


@pytest.mark.parametrize(("battery_v", "raised"), [(14.3, []), (12.4, ["not_charging"])])
def test_a_series_controller_may_take_nothing_only_from_a_full_battery(
    scene: Scene, battery_v: float, raised: list[str]
) -> None:
    plant = replace(PLANT, controller=replace(PLANT.controller, topology="series"))
    scene.watch = Watch(plant, AlarmStore(scene.db))
    scene.battery_v = battery_v
    scene.run(120, 14.0, charge_a=0.0, rectified_v=35.0)
    assert scene.raised == raised
