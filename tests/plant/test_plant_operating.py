"""Where the chain settles, starts, stops and runs away to."""

from __future__ import annotations

from dataclasses import replace

import pytest

from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.plant.chain import RPM, chain_of
from wheelpit.plant.description import FixedConverter, NoConverter
from wheelpit.plant.operating import (
    OperatingPoint,
    Unsteady,
    cutin_rpm,
    cutout_rpm,
    operating_point,
    runaway,
)

# Sizes of the invented plant from a separate little model that was written before this one. They are a sanity test
# of ours, no external check: flow L/s, then rpm, V, A, shaft W, W to the battery, fill.
_SIZES = {
    1.5: (7.4, 16.5, 0.42, 14, 6.5, 0.06),
    4.0: (8.5, 18.1, 1.66, 43, 28, 0.14),
    8.0: (9.8, 20.0, 3.19, 87, 59, 0.25),
    10.0: (10.4, 20.8, 3.83, 109, 73, 0.29),
    15.0: (11.6, 22.5, 5.18, 159, 107, 0.39),
    20.0: (12.6, 23.9, 6.29, 207, 138, 0.48),
}
_RUNAWAYS = {2.0: (14.1, 36), 4.0: (18.6, 47), 8.0: (21.7, 56), 12.0: (23.3, 60), 20.0: (25.0, 64)}


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def _point(plant: Plant, flow_l_s: float) -> OperatingPoint:
    found = operating_point(plant, flow_l_s)
    assert isinstance(found, OperatingPoint)
    return found


def _fixed(plant: Plant, input_w: float) -> Plant:
    """Return the plant with a converter that wants that power at its input."""
    return replace(
        plant,
        converter=FixedConverter(
            kind="fixed",
            start_v=16.0,
            stop_v=8.0,
            restart_s=2.0,
            output_limit_a=input_w * 0.92 / 13.5,
            efficiency=0.92,
            largest_input_v=80.0,
            parts_v=100.0,
        ),
    )


@pytest.mark.parametrize("flow_l_s", _SIZES)
def test_sizes_of_the_invented_plant(plant: Plant, flow_l_s: float) -> None:
    rpm, volts, amperes, shaft_w, battery_w, fill = _SIZES[flow_l_s]
    point = _point(plant, flow_l_s)
    assert point.wheel_rpm == pytest.approx(rpm, rel=0.03)
    assert point.rectified_v == pytest.approx(volts, rel=0.03)
    assert point.rectified_a == pytest.approx(amperes, rel=0.06)
    assert point.shaft_w == pytest.approx(shaft_w, rel=0.06)
    assert point.battery_w == pytest.approx(battery_w, rel=0.06)
    assert point.fill == pytest.approx(fill, abs=0.03)


@pytest.mark.parametrize("flow_l_s", _RUNAWAYS)
def test_sizes_of_its_runaway(plant: Plant, flow_l_s: float) -> None:
    rpm, volts = _RUNAWAYS[flow_l_s]
    lost = runaway(plant, flow_l_s)
    assert lost.wheel_rpm == pytest.approx(rpm, rel=0.04)
    assert lost.open_v == pytest.approx(volts, rel=0.04)
    assert lost.mean_v < lost.open_v
    assert lost.belt_lost_rpm > lost.wheel_rpm


@pytest.mark.parametrize("flow_l_s", [1.5, 4.0, 10.0, 20.0])
def test_the_staircase_of_powers_adds_up(plant: Plant, flow_l_s: float) -> None:
    point = _point(plant, flow_l_s)
    assert point.wheel_w < point.water_w
    assert point.wheel_w == pytest.approx(point.shaft_w + point.bearing_w)
    assert point.shaft_w == pytest.approx(point.alternator_w + point.belt_w)
    losses = point.iron_w + point.copper_w + point.diode_w
    assert point.alternator_w == pytest.approx(point.rectified_w + losses)
    assert point.rectified_w == pytest.approx(point.battery_w + point.converter_w)
    assert point.rectified_w == pytest.approx(point.rectified_v * point.rectified_a)
    assert point.efficiency == pytest.approx(point.battery_w / point.water_w)


@pytest.mark.parametrize("flow_l_s", [2.0, 8.0, 20.0])
def test_a_steady_point_is_where_torques_balance(plant: Plant, flow_l_s: float) -> None:
    point = _point(plant, flow_l_s)
    chain = chain_of(plant)
    speed = point.wheel_rpm * RPM
    demanded = chain.demanded_nm(speed, chain.electric(speed, 13.5))
    assert chain.available_nm(speed, flow_l_s / 1000) == pytest.approx(demanded, abs=1e-6)


def test_the_load_takes_more_when_faster_and_gives_way_when_slower(plant: Plant) -> None:
    chain = chain_of(plant)
    currents = [chain.electric(rpm * RPM, 13.5).rectified_a for rpm in (6.0, 7.0, 8.0, 10.0, 12.0)]
    assert currents[0] == 0.0
    assert currents == sorted(currents)


def test_cut_in_is_where_the_open_voltage_reaches_the_start_and_cut_out_the_stop(plant: Plant) -> None:
    chain = chain_of(plant)
    assert chain.open_v(cutin_rpm(plant) * RPM) == pytest.approx(16.0)
    assert chain.open_v(cutout_rpm(plant) * RPM) == pytest.approx(15.0)
    assert cutout_rpm(plant) < cutin_rpm(plant)


def test_a_trickle_turns_the_wheel_without_charging_and_less_does_not_turn_it(plant: Plant) -> None:
    slow = _point(plant, 0.5)
    assert slow.state == "idle"
    assert slow.rectified_a == 0.0
    assert slow.wheel_rpm < cutin_rpm(plant)
    nothing = operating_point(plant, 0.0)
    assert isinstance(nothing, Unsteady)
    assert nothing.state == "stalled"
    assert runaway(plant, 0.0).wheel_rpm == 0.0


def test_margins(plant: Plant) -> None:
    low, high = _point(plant, 2.0), _point(plant, 20.0)
    assert low.cut_out_margin == pytest.approx(7.6 / 6.3, rel=0.02)
    assert low.cut_out_margin < low.pull_out_margin
    assert high.pull_out_margin < low.pull_out_margin


def test_the_output_limit_holds_the_power(plant: Plant) -> None:
    assert plant.converter.kind == "fold-back"
    held = _point(replace(plant, converter=replace(plant.converter, output_limit_a=4.0)), 20.0)
    assert held.battery_a == pytest.approx(4.0)
    assert held.wheel_rpm > _point(plant, 20.0).wheel_rpm


def test_a_fixed_converter_that_asks_little_lets_the_wheel_race(plant: Plant) -> None:
    point = _point(_fixed(plant, 20.0), 10.0)
    assert point.rectified_w == pytest.approx(20.0)
    assert point.wheel_rpm > 1.5 * _point(plant, 10.0).wheel_rpm
    assert point.start_above_rpm is None


def test_a_fixed_converter_tips_over_below_a_speed(plant: Plant) -> None:
    point = _point(_fixed(plant, 78.0), 10.0)
    assert point.start_above_rpm is not None
    assert cutin_rpm(plant) < point.start_above_rpm < point.wheel_rpm


def test_a_fixed_converter_that_asks_too_much_hunts(plant: Plant) -> None:
    found = operating_point(_fixed(plant, 110.0), 10.0)
    assert isinstance(found, Unsteady)
    assert found.state == "hunts"
    assert found.drop_out_rpm is not None
    # The same flow carries a converter that folds back.
    assert _point(plant, 10.0).battery_w > 60.0


def test_without_a_converter_the_battery_holds_the_voltage(plant: Plant) -> None:
    bare = replace(plant, converter=NoConverter(kind="none", parts_v=100.0))
    point = _point(bare, 10.0)
    assert point.rectified_v == pytest.approx(13.5 + 0.008 * point.rectified_a)
    assert point.battery_w == pytest.approx(13.5 * point.rectified_a)
    assert point.converter_w == pytest.approx(0.008 * point.rectified_a**2)


def test_a_higher_ratio_lets_the_wheel_turn_slower(plant: Plant) -> None:
    higher = replace(plant, belt=replace(plant.belt, pulley_diameter_m=0.055))
    assert _point(higher, 10.0).wheel_rpm < _point(plant, 10.0).wheel_rpm
    assert cutin_rpm(higher) < cutin_rpm(plant)
