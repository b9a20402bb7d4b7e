"""Alarm limits follow from the plant, and each says why."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from wheelpit.plant import Limits, Plant, demo_plant_path, limits_of, load_plant
from wheelpit.plant.description import (
    Battery,
    LimitOverrides,
    MonitorSensor,
    NoConverter,
    Node,
    Protection,
)
from wheelpit.plant.limits import rectified_bounds

# What is not a limit but what one is made of.
_INGREDIENTS = {
    "battery_ohm",
    "guard_flow_l_s",
    "absorption_at_25_v",
    "overcharge_at_25_v",
    "overcharge_warning_at_25_v",
    "v_per_degc",
    "coldest_degc",
    "lead_acid",
    "reasons",
}


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


@pytest.fixture(scope="module")
def limits(plant: Plant) -> Limits:
    return limits_of(plant)


def test_every_limit_has_a_reason(limits: Limits) -> None:
    named = {field.name for field in fields(Limits)} - _INGREDIENTS
    assert named | {"overcharge_v", "overcharge_warning_v"} == set(limits.reasons)
    for name in named:
        assert len(limits.reason(name)) > 15


def test_slow_lies_between_cut_in_and_cut_out(limits: Limits) -> None:
    assert limits.cutin_rpm == pytest.approx(6.7, abs=0.05)
    assert limits.cutout_rpm == pytest.approx(6.3, abs=0.05)
    assert limits.slow_rpm == 6.5
    assert limits.slow_after_s == 60.0
    assert limits.reason("slow_rpm").startswith("cut-in 6.7, cut-out 6.3 rpm")
    assert "slow below 6.5 rpm" in limits.reason("slow_rpm")
    assert "for 60 s" in limits.reason("slow_rpm")


def test_slow_never_leaves_the_two_speeds_however_close_they_are(plant: Plant) -> None:
    assert not isinstance(plant.converter, NoConverter)
    close = limits_of(replace(plant, converter=replace(plant.converter, stop_v=15.99)))
    assert close.cutout_rpm <= close.slow_rpm <= close.cutin_rpm


def test_racing_is_above_any_loaded_speed_and_below_the_unloaded(limits: Limits) -> None:
    assert 12.7 < limits.racing_rpm < 24.0


def test_the_rectified_side(limits: Limits) -> None:
    assert limits.rectified_guard_v == 50.0
    assert limits.rectified_warning_v == 40.0
    assert limits.rectified_normal_v == pytest.approx(24, abs=0.5)
    assert limits.rectified_open_test_v < limits.rectified_warning_v
    assert limits.guard_flow_l_s == pytest.approx(5.0, abs=0.3)
    assert "clamp 60 V" in limits.reason("rectified_guard_v")
    assert "above about 5 L/s" in limits.reason("rectified_guard_v")


@pytest.mark.parametrize(("clamp_v", "guard_v"), [(None, 70.0), (45.0, 40.0), (38.0, 30.0), (20.0, 18.0)])
def test_the_guard_keeps_ten_per_cent_below_the_lowest_bound(
    plant: Plant, clamp_v: float | None, guard_v: float
) -> None:
    changed = limits_of(replace(plant, protection=Protection(clamp_v=clamp_v)))
    assert changed.rectified_guard_v == guard_v
    assert changed.rectified_warning_v <= guard_v
    if guard_v < changed.rectified_open_test_v:
        assert "nothing is left" in changed.reason("rectified_warning_v")


def test_the_scale_of_the_sensor_is_a_bound_too(plant: Plant) -> None:
    others = tuple(s for s in plant.sensors if s.channel != "rectified_v")
    chip = MonitorSensor(channel="rectified_v", node="wheel", kind="monitor", address=0x45)
    changed = replace(plant, sensors=(*others, chip))
    assert rectified_bounds(changed)["monitor chip of rectified_v"] == 36.0
    assert limits_of(changed).rectified_guard_v == 30.0
    bare = replace(plant, sensors=others, converter=NoConverter(kind="none", parts_v=100.0))
    assert set(rectified_bounds(bare)) == {"lowest rated part", "clamp"}


def test_overcharge_follows_the_temperature(limits: Limits) -> None:
    assert limits.overcharge_v(25.0) == pytest.approx(15.0)
    assert limits.overcharge_v(0.0) == pytest.approx(15.6)
    assert limits.absorption_v(0.0) == pytest.approx(15.0)
    # A healthy freezing night: absorption at -5 °C must stay below the warning.
    assert limits.absorption_v(-5.0) < limits.overcharge_warning_v(-5.0) < limits.overcharge_v(-5.0)
    # Beyond what chargers compensate the limits stay where they are.
    assert limits.overcharge_v(-60.0) == limits.overcharge_v(-20.0)
    assert limits.overcharge_v(80.0) == limits.overcharge_v(50.0)


def test_without_a_temperature_the_limit_widens_and_is_not_compensated(limits: Limits) -> None:
    assert limits.overcharge_v(None) == limits.overcharge_v(-5.0)
    assert limits.overcharge_v(None) > limits.overcharge_v(25.0)
    assert "as if it were -5 °C" in limits.reason("overcharge_v")


def test_lead_may_freeze_and_a_flat_bank_first(limits: Limits) -> None:
    full, flat = limits.freezing_alarm_degc(1.0), limits.freezing_alarm_degc(0.0)
    assert full is not None
    assert flat is not None
    assert full < -50 < flat < 0
    assert limits.freezing_alarm_degc(None) == flat
    assert limits.battery_cold_degc is None
    assert limits.deep_discharge_v == pytest.approx(11.89)


def test_lithium_is_cold_at_zero_and_does_not_freeze(plant: Plant) -> None:
    bank = Battery(
        chemistry="lfp",
        nominal_v=24.0,
        capacity_ah=100.0,
        resistance_ohm=0.01,
        overcharge_v=29.2,
        coldest_degc=-5.0,
    )
    controller = replace(plant.controller, absorption_v=28.4, float_v=27.0, v_per_degc=0.0)
    lithium = limits_of(replace(plant, battery=bank, controller=controller))
    assert lithium.battery_cold_degc == 0.0
    assert lithium.freezing_alarm_degc(0.5) is None
    assert lithium.deep_discharge_v == pytest.approx(24.0)
    assert lithium.overcharge_v(None) == lithium.overcharge_v(25.0) == pytest.approx(29.2)
    assert "at any temperature" in lithium.reason("overcharge_v")


def test_what_is_set_by_hand_holds_and_says_so(plant: Plant) -> None:
    changed = limits_of(
        replace(
            plant, limits=LimitOverrides(slow_rpm=6.4, overcharge_hard_v=15.2, telemetry_lost_after_s=300.0)
        )
    )
    assert changed.slow_rpm == 6.4
    assert changed.overcharge_v(25.0) == pytest.approx(15.2)
    assert changed.telemetry_lost_after_s == 300.0
    for name in ("slow_rpm", "overcharge_v", "telemetry_lost_after_s"):
        assert changed.reason(name).startswith("set by hand in plant.toml; the plant itself would give: ")
    assert not changed.reason("charging_a").startswith("set by hand")


def test_hunting_is_a_swing_by_a_quarter_of_what_the_wheel_gives_at_best(plant: Plant) -> None:
    # Four a minute for three minutes: common practice, no source. At 20 L/s the demo's wheel gives 10.2 A of its
    # converter's 12 A.
    limits = limits_of(plant)
    assert (limits.hunting_per_min, limits.hunting_after_s) == (4.0, 180.0)
    assert limits.hunting_swing_a == pytest.approx(10.2 / 4, abs=0.05)
    assert not isinstance(plant.converter, NoConverter)
    small = limits_of(replace(plant, converter=replace(plant.converter, output_limit_a=4.0)))
    assert small.hunting_swing_a == pytest.approx(1.0, abs=0.01)
    tested = limits_of(replace(plant, controller=replace(plant.controller, open_test_every_s=30.0)))
    assert tested.hunting_per_min == 6.0
    by_hand = limits_of(replace(plant, limits=LimitOverrides(hunting_per_min=8.0, hunting_swing_a=3.0)))
    assert (by_hand.hunting_per_min, by_hand.hunting_swing_a) == (8.0, 3.0)
    assert by_hand.reason("hunting_swing_a").startswith("set by hand")


def test_silence_waits_for_the_slowest_node(plant: Plant) -> None:
    assert limits_of(plant).telemetry_lost_after_s == 60.0
    slow = limits_of(replace(plant, nodes=(Node(id="wheel", record_s=60),)))
    assert slow.telemetry_lost_after_s == 180.0


def test_a_plant_where_nothing_settles_has_limits_too(plant: Plant) -> None:
    """A converter that hunts at the highest flow leaves no steady speed to go by."""
    from wheelpit.plant.description import FixedConverter  # noqa: PLC0415 - used once

    greedy = FixedConverter(
        kind="fixed",
        start_v=16.0,
        stop_v=12.0,
        restart_s=2.0,
        output_limit_a=30.0,
        efficiency=0.92,
        largest_input_v=80.0,
        parts_v=100.0,
    )
    limits = limits_of(replace(plant, converter=greedy))
    assert limits.racing_rpm == pytest.approx(25.0, abs=0.5)
    assert "no steady loaded speed" in limits.reason("racing_rpm")
    assert limits.rectified_warning_v <= limits.rectified_guard_v
