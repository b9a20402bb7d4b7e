"""The twin settles where the plant's operating points are, and behaves like a wheel in between."""

from __future__ import annotations

import dataclasses
import math

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import PickupSensor
from wheelpit.plant.operating import OperatingPoint, cutin_rpm, cutout_rpm, operating_point, runaway
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.machine import STEP_US, TwinPlant
from wheelpit.twin.trouble import TwinError, UnmodelledError

PLANT = load_plant(demo_plant_path())
CALM = dataclasses.replace(USUAL, wander_share=0.0)
# A plant without the clamp at the bridge, to see how far it runs away.
UNCLAMPED = dataclasses.replace(PLANT, protection=dataclasses.replace(PLANT.protection, clamp_v=None))


@pytest.mark.parametrize("flow_l_s", [3.0, 6.0, 10.0, 15.0, 20.0])
def test_it_settles_at_the_operating_point(flow_l_s: float) -> None:
    twin = TwinPlant(PLANT, flow_l_s=flow_l_s, assumptions=CALM)
    point = operating_point(PLANT, flow_l_s, twin.bank.battery_v)
    assert isinstance(point, OperatingPoint)
    watts = {name: value / 10 for name, value in twin.run(10).items()}
    mean = twin.frame().mean
    assert mean["wheel_rpm"] == pytest.approx(point.wheel_rpm, rel=1e-3)
    assert mean["alternator_rpm"] == pytest.approx(point.alternator_rpm, rel=1e-3)
    assert mean["rectified_v"] == pytest.approx(point.rectified_v, rel=1e-3)
    assert mean["rectified_a"] == pytest.approx(point.rectified_a, rel=1e-3)
    assert mean["shaft_nm"] * mean["wheel_rpm"] * math.pi / 30 == pytest.approx(point.shaft_w, rel=1e-3)
    assert twin.wheel.fill == pytest.approx(point.fill, rel=1e-3)
    for name, expected in [
        ("water_j", point.water_w),
        ("bearing_j", point.bearing_w),
        ("belt_j", point.belt_w),
        ("iron_j", point.iron_w),
        ("copper_j", point.copper_w),
        ("diode_j", point.diode_w),
        ("converter_j", point.converter_w),
    ]:
        assert watts[name] == pytest.approx(expected, rel=2e-3), name


@pytest.mark.parametrize("flow_l_s", [2.0, 8.0, 20.0])
def test_it_runs_away_when_the_load_is_lost(flow_l_s: float) -> None:
    twin = TwinPlant(UNCLAMPED, flow_l_s=flow_l_s, assumptions=CALM)
    before = twin.frame().mean
    twin.put("converter-dead", on=True)
    twin.run(60)
    after, expected = twin.frame().mean, runaway(UNCLAMPED, flow_l_s)
    assert after["wheel_rpm"] == pytest.approx(expected.wheel_rpm, rel=2e-3)
    assert after["rectified_v"] == pytest.approx(expected.open_v, rel=2e-3)
    assert after["rectified_v"] > 1.7 * before["rectified_v"]
    assert after["charge_a"] == 0
    twin.put("converter-dead", on=False)
    twin.run(60)
    assert twin.frame().mean["wheel_rpm"] == pytest.approx(before["wheel_rpm"], rel=2e-3)


def test_the_clamp_holds_the_bridge() -> None:
    twin = TwinPlant(PLANT, flow_l_s=20.0, assumptions=CALM)
    twin.put("converter-dead", on=True)
    twin.run(30)
    clamp_v = PLANT.protection.clamp_v
    assert clamp_v is not None
    assert clamp_v < twin.bus.rectified_v < clamp_v + 1


def test_a_jam_stops_the_wheel_at_once_and_fills_its_buckets() -> None:
    twin = TwinPlant(PLANT)
    twin.run(2)
    twin.put("jam", on=True)
    twin.run(0.3)
    assert twin.wheel.speed_rad_s == 0
    stopped = [twin.frame() for _ in range(1200)]
    assert all(frame.edges == () and frame.mean["wheel_rpm"] == 0 for frame in stopped)
    assert twin.wheel.fill == pytest.approx(PLANT.wheel.largest_fill)
    assert stopped[-1].mean["charge_a"] == 0
    assert stopped[-1].mean["battery_a"] < 0


def test_a_freed_wheel_leaps_and_comes_back_to_its_speed() -> None:
    twin = TwinPlant(PLANT, assumptions=CALM)
    usual_rpm = twin.frame().mean["wheel_rpm"]
    twin.put("jam", on=True)
    twin.run(60)
    twin.put("jam", on=False)
    speeds = [twin.frame().mean["wheel_rpm"] for _ in range(1200)]
    assert max(speeds[:200]) > 1.2 * usual_rpm
    assert speeds[-1] == pytest.approx(usual_rpm, rel=1e-3)
    assert min(speeds) >= 0


def test_without_water_it_stops_and_with_water_it_starts_again() -> None:
    twin = TwinPlant(PLANT)
    twin.river.order(0)
    twin.run(60)
    assert twin.wheel.speed_rad_s == 0
    assert twin.wheel.water_kg < 1
    assert not twin.bus.runs
    twin.river.order(6)
    twin.run(60)
    assert twin.frame().mean["charge_a"] > 1
    assert twin.bus.runs


def test_the_magnets_of_a_standing_alternator_want_more_water_before_it_starts() -> None:
    def waits_s(cogging_nm: float | None) -> float:
        alternator = dataclasses.replace(PLANT.alternator, cogging_nm=cogging_nm)
        twin = TwinPlant(dataclasses.replace(PLANT, alternator=alternator), flow_l_s=4.0, assumptions=CALM)
        twin.river.order(0.0)
        twin.run(60)
        assert twin.wheel.speed_rad_s == 0
        twin.river.order(4.0)
        waited = 0.0
        while twin.wheel.speed_rad_s == 0:
            assert waited < 120, "it never starts"
            twin.run(0.25)
            waited += 0.25
        # Once it turns, cogging gives back in half of a tooth what it took in the other.
        twin.run(120)
        assert twin.balance().error_share == pytest.approx(0, abs=1e-6)
        return waited

    free, held = waits_s(None), waits_s(2.0)
    # 2 N m at the alternator are some 37 N m at the wheel: friction alone lets go at a third of that.
    assert held > 1.5 * free


def test_friction_holds_a_wheel_with_too_little_water() -> None:
    twin = TwinPlant(PLANT, flow_l_s=0.0, assumptions=CALM)
    twin.wheel.water_kg = 1.0  # 5 N m of weight against 5 N m of bearings and as much of belt and iron
    balance = twin.run(10)
    assert twin.totals().revolutions == 0
    assert balance.bearing_j == balance.belt_j == balance.iron_j == 0


def test_the_converter_starts_and_stops_at_its_speeds() -> None:
    """The wheel is led slowly up and down; no current flows at either moment, so the capacitor is at the peak."""
    twin = TwinPlant(PLANT, flow_l_s=0, assumptions=CALM)
    bus, gear = twin.bus, twin.wheel.drive.gear
    bus.rectified_v = 0.0

    def runs_at(rpm: float) -> bool:
        for _ in range(20):
            bus.advance(STEP_US / 1e6, rpm * math.pi / 30 * gear, 13.5, math.inf)
        return bus.runs

    speeds = [5 + 0.01 * step for step in range(300)]
    started = next(rpm for rpm in speeds if runs_at(rpm))
    assert started == pytest.approx(cutin_rpm(PLANT), abs=0.02)
    # Downwards the capacitor must lose its charge through the divider: wait at each speed.
    for rpm in reversed(speeds):
        bus.rectified_v = min(bus.rectified_v, 1.0472 * 0.14 * rpm * gear - 1.6)
        if not runs_at(rpm):
            assert rpm == pytest.approx(cutout_rpm(PLANT), abs=0.03)
            break
    else:
        pytest.fail("it never stopped")


def test_the_capacitor_holds_its_voltage_for_minutes() -> None:
    twin = TwinPlant(PLANT)
    twin.put("jam", on=True)
    twin.run(5)
    before_v = twin.bus.rectified_v
    assert before_v > 15
    twin.run(200)
    # 4700 uF through the 103.3 kohm of the divider.
    assert twin.bus.rectified_v == pytest.approx(before_v * math.exp(-200 / (4700e-6 * 103_300)), rel=1e-3)


def test_the_wheel_never_turns_back() -> None:
    twin = TwinPlant(PLANT, seed=9)
    for flow_l_s, jammed in [
        (1.0, False),
        (0.0, False),
        (0.0, True),
        (20.0, True),
        (20.0, False),
        (0.5, False),
    ]:
        twin.river.order(flow_l_s)
        twin.put("jam", on=jammed)
        for _ in range(300):
            assert twin.frame().mean["wheel_rpm"] >= 0


def test_a_wheel_without_any_dry_friction_may_stand() -> None:
    smooth = dataclasses.replace(
        PLANT,
        wheel=dataclasses.replace(PLANT.wheel, bearing_nm=0.0),
        belt=dataclasses.replace(PLANT.belt, loss_nm=0.0),
        alternator=dataclasses.replace(PLANT.alternator, iron_nm=0.0),
    )
    twin = TwinPlant(smooth, flow_l_s=0.0)
    assert twin.run(1).error_share < 1e-3
    twin.river.order(5)
    assert twin.run(20).error_share < 1e-3
    assert twin.totals().revolutions > 1


def test_a_flood_of_water_runs_over() -> None:
    twin = TwinPlant(PLANT, flow_l_s=500.0, assumptions=CALM)
    balance = twin.run(10)
    assert twin.wheel.fill <= PLANT.wheel.largest_fill + 1e-6
    assert balance.missed_j > 0.5 * balance.water_j
    assert twin.frame().mean["wheel_rpm"] < runaway(PLANT, 100.0).belt_lost_rpm


def test_a_sensor_without_a_model_is_refused_by_name() -> None:
    third = PickupSensor(channel="stage_m", node="wheel", kind="pickup", pin=16, magnets=1)
    with pytest.raises(UnmodelledError, match="sensor stage_m"):
        TwinPlant(dataclasses.replace(PLANT, sensors=(*PLANT.sensors, third)))


@pytest.mark.parametrize("bad", [{"flow_l_s": -1.0}, {"flow_l_s": math.nan}, {"state_of_charge": 1.2}])
def test_values_out_of_range_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(TwinError, match="give 0 to"):
        TwinPlant(PLANT, **bad)  # type: ignore[arg-type]
