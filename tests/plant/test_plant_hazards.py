"""Combinations that hurt are told, with what happens and what to do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.plant.description import (
    FixedConverter,
    FoldBackConverter,
    MonitorSensor,
    NoConverter,
    OtherSource,
    PickupSensor,
    Protection,
    ShuntSensor,
)
from wheelpit.plant.hazards import Hazard, hazards


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def _without(plant: Plant, *channels: str) -> Plant:
    return replace(plant, sensors=tuple(s for s in plant.sensors if s.channel not in channels))


def _with(plant: Plant, *sensors: Any) -> Plant:
    return replace(plant, sensors=(*plant.sensors, *sensors))


def _told(plant: Plant, key: str) -> Hazard:
    found = [hazard for hazard in hazards(plant) if hazard.key == key]
    assert len(found) == 1, f"{key} in {[str(h) for h in hazards(plant)]}"
    return found[0]


def test_the_invented_plant_warns_of_its_voltage_only(plant: Plant) -> None:
    found = hazards(plant)
    assert [hazard.key for hazard in found] == ["alternator.v_per_rpm"]
    assert "25 rpm and 64 V" in found[0].what
    assert "wet" in found[0].what


def test_a_series_controller_without_anything_that_takes_the_load(plant: Plant) -> None:
    series = replace(plant.controller, topology="series", dump_w=None)
    bare = replace(plant, controller=series, protection=Protection())
    hazard = _told(bare, "controller.topology")
    assert hazard.grade == "danger"
    assert "with a full battery the wheel will run at up to 25 rpm and 64 V" in hazard.what
    assert "the converter allows 80 V" in hazard.what
    for saved in (Protection(clamp_v=60.0), Protection(water_trap=True), Protection(brake=True)):
        assert not [h for h in hazards(replace(bare, protection=saved)) if h.key == "controller.topology"]


def test_a_converter_that_limits_its_own_voltage_without_a_dump(plant: Plant) -> None:
    assert isinstance(plant.converter, FoldBackConverter)
    limited = replace(plant.converter, output_limit_v=14.4)
    none = replace(plant.controller, topology="none", dump_w=None)
    hazard = _told(
        replace(plant, converter=limited, controller=none, protection=Protection()),
        "converter.output_limit_v",
    )
    assert "nothing takes the load" in hazard.what
    # With a diversion load at the battery the battery never gets so full.
    dumped = replace(plant, converter=limited, protection=Protection())
    assert not [h for h in hazards(dumped) if h.key == "converter.output_limit_v"]


def test_a_battery_that_nothing_keeps_from_overcharge(plant: Plant) -> None:
    none = replace(plant.controller, topology="none", dump_w=None)
    assert _told(replace(plant, controller=none), "controller.topology").grade == "danger"


def test_a_converter_that_the_runaway_kills(plant: Plant) -> None:
    assert isinstance(plant.converter, FoldBackConverter)
    weak = replace(plant.converter, largest_input_v=55.0)
    hazard = _told(replace(plant, converter=weak, protection=Protection()), "converter.largest_input_v")
    assert hazard.grade == "danger"
    assert "64 V, and the converter stands 55 V" in hazard.what
    # A clamp below its limit saves it, one above it does not.
    saved = replace(plant, converter=weak, protection=Protection(clamp_v=50.0))
    assert not [h for h in hazards(saved) if h.grade == "danger"]
    late = replace(plant, converter=weak, protection=Protection(clamp_v=60.0))
    assert {h.key for h in hazards(late) if h.grade == "danger"} == {
        "converter.largest_input_v",
        "protection.clamp_v",
    }


def test_parts_before_a_bare_battery(plant: Plant) -> None:
    bare = replace(plant, converter=NoConverter(kind="none", parts_v=40.0), protection=Protection())
    assert _told(bare, "converter.parts_v").grade == "danger"


def test_a_dump_at_the_battery_is_no_second_means(plant: Plant) -> None:
    hazard = _told(replace(plant, protection=Protection()), "protection")
    assert "cannot help" in hazard.what


def test_a_monitor_chip_beyond_its_36_volts(plant: Plant) -> None:
    chip = MonitorSensor(channel="rectified_v", node="wheel", kind="monitor", address=0x45)
    hazard = _told(_with(_without(plant, "rectified_v"), chip), "sensor rectified_v")
    assert "stands 36 V and the unloaded wheel gives 64 V" in hazard.what
    shunt = plant.sensor("rectified_a")
    assert isinstance(shunt, ShuntSensor)
    high = _with(_without(plant, "rectified_a"), replace(shunt, at="bridge-positive"))
    assert _told(high, "sensor rectified_a").grade == "danger"


@pytest.mark.parametrize(("nominal_v", "grade"), [(24.0, None), (48.0, "danger")])
def test_a_monitor_chip_on_a_bank_of_higher_voltage(
    plant: Plant, nominal_v: float, grade: str | None
) -> None:
    times = nominal_v / 12
    bank = replace(plant.battery, nominal_v=nominal_v, overcharge_v=15.0 * times)
    controller = replace(
        plant.controller, absorption_v=14.4 * times, float_v=13.4 * times, v_per_degc=-0.024 * times
    )
    found = [
        h.grade
        for h in hazards(replace(plant, battery=bank, controller=controller))
        if h.key == "sensor battery_v"
    ]
    assert found == ([grade] if grade else [])


def test_a_24_volt_bank_in_the_cold_leaves_the_chip_too_little_in_hand(plant: Plant) -> None:
    bank = replace(plant.battery, nominal_v=24.0, overcharge_v=32.0)
    controller = replace(plant.controller, absorption_v=29.6, float_v=27.0, v_per_degc=-0.048)
    hazard = _told(replace(plant, battery=bank, controller=controller), "sensor battery_v")
    assert hazard.grade == "caution"
    assert "the bank may reach 33.4 V" in hazard.what


def test_loads_on_the_controllers_terminals_need_their_own_shunt(plant: Plant) -> None:
    terminals = replace(plant, controller=replace(plant.controller, load_terminals=True))
    assert "in no book" in _told(terminals, "controller.load_terminals").what
    shunt = ShuntSensor(
        channel="load_a", node="wheel", kind="shunt", address=0x4A, shunt_ohm=0.001, range_a=80.0, at="loads"
    )
    assert not [h for h in hazards(_with(terminals, shunt)) if h.key == "controller.load_terminals"]


def test_another_source_beside_battery_a_alone(plant: Plant) -> None:
    sunny = replace(plant, other_sources=(OtherSource(kind="solar", rated_w=300.0),))
    assert not [h for h in hazards(sunny) if h.key == "other_source"]
    assert "says nothing about the wheel" in _told(_without(sunny, "charge_a"), "other_source").what


def test_a_small_dump(plant: Plant) -> None:
    hazard = _told(replace(plant, controller=replace(plant.controller, dump_w=150.0)), "controller.dump_w")
    assert hazard.grade == "danger"
    assert "150 W is less than 1.25 times" in hazard.what


def test_a_fixed_converter_that_hunts_and_one_that_tips(plant: Plant) -> None:
    def fixed(amperes: float) -> Plant:
        kind = FixedConverter(
            kind="fixed",
            start_v=16.0,
            stop_v=8.0,
            restart_s=2.0,
            output_limit_a=amperes,
            efficiency=0.92,
            largest_input_v=80.0,
            parts_v=100.0,
        )
        return replace(plant, converter=kind)

    assert "drops out and begins again" in _told(fixed(8.0), "converter.output_limit_a").what
    tipping = [h for h in hazards(fixed(5.0)) if h.key == "converter.start_v"]
    assert tipping
    assert "stalls the wheel when it starts below" in tipping[0].what


def test_missing_eyes_are_named(plant: Plant) -> None:
    for channel in ("wheel_rpm", "rectified_v", "battery_v", "battery_degc"):
        assert "not fitted" in _told(_without(plant, channel), f"sensor {channel}").what
    assert "no energy" in _told(_without(plant, "charge_a", "battery_a"), "sensor charge_a").what


def test_sensors_that_are_too_small_or_read_apart(plant: Plant) -> None:
    shunt, divider = plant.sensor("charge_a"), plant.sensor("rectified_v")
    assert isinstance(shunt, ShuntSensor)
    assert divider is not None
    small = _with(_without(plant, "charge_a"), replace(shunt, range_a=8.0))
    assert "8 A is less than the 10.2 A expected" in _told(small, "sensor charge_a.range_a").what
    apart = _with(_without(plant, "charge_a"), replace(shunt, node="house"))
    assert "none is counted" in _told(apart, "sensor charge_a.node").what
    assert divider.kind == "divider"
    short = _with(_without(plant, "rectified_v"), replace(divider, upper_ohm=47_000.0))
    assert "scale ends at 50 V" in _told(short, "sensor rectified_v.upper_ohm").what
    pickup = plant.sensor("wheel_rpm")
    assert isinstance(pickup, PickupSensor)
    one = _with(_without(plant, "wheel_rpm"), replace(pickup, magnets=1))
    assert _told(one, "sensor wheel_rpm.magnets").grade == "caution"


def test_a_guard_without_room_is_told(plant: Plant) -> None:
    assert (
        "cry out in normal life"
        in _told(replace(plant, protection=Protection(clamp_v=35.0)), "converter.largest_input_v").what
    )


def test_dangers_come_first(plant: Plant) -> None:
    bad = replace(plant, controller=replace(plant.controller, dump_w=100.0), protection=Protection())
    grades = [hazard.grade for hazard in hazards(bad)]
    assert grades == sorted(grades, reverse=True)
    assert len(set(grades)) == 2


def test_a_test_of_the_source_that_lets_the_wheel_run_up_to_the_guard(plant: Plant) -> None:
    def told(seconds: float, highest_flow_l_s: float = 20.0) -> list[Hazard]:
        tests = replace(plant.controller, open_test_every_s=300.0, open_test_s=seconds)
        water = replace(plant.water, highest_flow_l_s=highest_flow_l_s)
        found = hazards(replace(plant, controller=tests, water=water))
        return [hazard for hazard in found if hazard.key == "controller.open_test_s"]

    # At 20 L/s a bare wheel of this inertia is at 50 V after less than a second; at 6 L/s it takes far longer.
    (hazard,) = told(1.0)
    assert hazard.grade == "caution"
    assert "above the guard of 50 V" in hazard.what
    assert told(0.2) == []
    assert told(1.0, 6.0) == []
    assert not [h for h in hazards(plant) if h.key == "controller.open_test_s"]
