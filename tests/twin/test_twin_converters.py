"""Three kinds of converter and four topologies of the controller, each with its own way of failing and of being full."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import pytest
from tests.twin.plants import BATTERY_V, CALM, DEMO, fixed, plant_of, slow, with_parts

from wheelpit.plant.description import FoldBackConverter
from wheelpit.plant.operating import OperatingPoint, Unsteady, operating_point, runaway
from wheelpit.twin.machine import TwinPlant

if TYPE_CHECKING:
    from wheelpit.plant import Plant

RPM = math.pi / 30


def _fixed_plant(input_w: float, **changes: float) -> Plant:
    return with_parts(DEMO, converter=fixed(input_w, **changes))


@pytest.mark.parametrize(("flow_l_s", "input_w"), [(10.0, 20.0), (10.0, 60.0), (20.0, 100.0)])
def test_a_fixed_converter_holds_the_fast_equilibrium(flow_l_s: float, input_w: float) -> None:
    plant = _fixed_plant(input_w)
    twin = TwinPlant(plant, flow_l_s=flow_l_s, assumptions=CALM)
    watts = twin.run(10).items()
    expected = operating_point(plant, flow_l_s, twin.mean["battery_v"])
    assert isinstance(expected, OperatingPoint)
    assert twin.mean["wheel_rpm"] == pytest.approx(expected.wheel_rpm, rel=5e-3)
    # At so little current the bridge already conducts in pulses, a little above the mean.
    assert twin.mean["rectified_v"] == pytest.approx(expected.rectified_v, rel=0.015)
    assert dict(watts)["converter_j"] / 10 == pytest.approx(expected.converter_w, rel=5e-3)
    # It races under so little load, far above where a fold-back converter holds it.
    assert twin.mean["wheel_rpm"] > 1.2 * TwinPlant(DEMO, flow_l_s=flow_l_s).mean["wheel_rpm"]


def test_below_the_unstable_equilibrium_the_wheel_collapses_and_above_it_recovers() -> None:
    plant = _fixed_plant(60.0, start_v=10.0, stop_v=4.0)
    expected = operating_point(plant, 10.0, BATTERY_V)
    assert isinstance(expected, OperatingPoint)
    tipping_rpm = expected.start_above_rpm
    assert tipping_rpm is not None
    assert 5.5 < tipping_rpm < 7.5

    def follows(rpm: float) -> tuple[list[float], bool]:
        """Return the wheel's speeds from one at which the converter has begun to draw, and whether it dropped out."""
        twin = TwinPlant(plant, assumptions=CALM)
        wheel = twin.wheel
        # What water lies on the wheel at that speed in steady turning.
        wheel.water_kg *= wheel.speed_rad_s / (rpm * RPM)
        wheel.speed_rad_s = rpm * RPM
        wheel.drive.speed_rad_s = wheel.speed_rad_s * wheel.drive.gear
        twin.bus.rectified_v = 9.5
        speeds, dropped = [], False
        for _ in range(20 * 25):
            speeds.append(twin.frame().mean["wheel_rpm"])
            dropped = dropped or not twin.bus.runs
        return speeds, dropped

    speeds, dropped = follows(tipping_rpm * 1.12)
    assert not dropped
    assert min(speeds) > tipping_rpm
    assert speeds[-1] == pytest.approx(expected.wheel_rpm, rel=0.01)
    speeds, dropped = follows(tipping_rpm * 0.9)
    assert dropped
    assert min(speeds) < tipping_rpm * 0.9


@pytest.mark.parametrize(("flow_l_s", "input_w"), [(10.0, 110.0), slow(20.0, 176.0)])
def test_a_fixed_converter_that_wants_too_much_hunts_and_gives_less(flow_l_s: float, input_w: float) -> None:
    plant = _fixed_plant(input_w)
    point = operating_point(plant, flow_l_s, BATTERY_V)
    assert isinstance(point, Unsteady)
    assert point.state == "hunts"
    assert point.drop_out_rpm is not None
    twin, modest = (
        TwinPlant(plant, flow_l_s=flow_l_s, assumptions=CALM),
        TwinPlant(DEMO, flow_l_s=flow_l_s, assumptions=CALM),
    )
    twin.run(10)
    begun_j = twin.totals().rectified_j
    speeds, drops, ran = [], 0, twin.bus.runs
    for _ in range(20 * 30):
        speeds.append(twin.frame().mean["wheel_rpm"])
        drops += ran and not twin.bus.runs
        ran = twin.bus.runs
    assert 8 <= 2 * drops <= 25
    assert min(speeds) == pytest.approx(point.drop_out_rpm, rel=0.15)
    assert max(speeds) > 1.8 * min(speeds)
    hunted_w = (twin.totals().rectified_j - begun_j) / 30
    modest.run(10)
    assert 0.45 < hunted_w / (modest.totals().rectified_j / 10) < 0.85


@pytest.mark.slow
def test_a_dropped_converter_waits_before_it_starts_again() -> None:
    twin = TwinPlant(_fixed_plant(110.0, restart_s=3.0), assumptions=CALM)
    waits, since = [], None
    for frame in range(20 * 25):
        twin.frame()
        if not twin.bus.runs:
            since = frame if since is None else since
        elif since is not None:
            waits.append((frame - since) / 20)
            since = None
    assert waits
    assert min(waits[1:]) >= 2.9


@pytest.mark.parametrize("flow_l_s", [6.0, 10.0, 20.0])
def test_without_a_converter_the_battery_holds_the_voltage(flow_l_s: float) -> None:
    plant = plant_of("none")
    twin = TwinPlant(plant, flow_l_s=flow_l_s, assumptions=dataclasses.replace(CALM, cable_ohm=1e-4))
    inner_v = twin.bank.battery_v - plant.battery.resistance_ohm * twin.mean["battery_a"]
    point = operating_point(plant, flow_l_s, inner_v)
    assert isinstance(point, OperatingPoint)
    twin.run(2)
    assert twin.mean["rectified_v"] == pytest.approx(twin.mean["battery_v"], rel=1e-3)
    assert twin.mean["wheel_rpm"] == pytest.approx(point.wheel_rpm, rel=0.01)
    assert twin.mean["charge_a"] == pytest.approx(twin.mean["rectified_a"], rel=0.01)
    # More water makes it turn hardly faster: the voltage is clamped.
    assert twin.mean["alternator_rpm"] < 1.4 * TwinPlant(plant, flow_l_s=6.0).mean["alternator_rpm"]


def test_without_a_converter_a_standing_wheel_draws_but_the_dividers_trace() -> None:
    for topology, least_a in [("diversion-at-battery", 1e-5), ("series", 0.0)]:
        twin = TwinPlant(plant_of("none", topology), flow_l_s=0.0, state_of_charge=0.7)
        twin.run(30)
        assert twin.mean["wheel_rpm"] == 0
        assert -1e-3 < twin.mean["charge_a"] <= -least_a
        assert twin.bus.rectified_a == 0


@pytest.mark.parametrize("kind", ["fold-back", slow("fixed"), "none"])
def test_a_series_controller_tapers_and_the_wheel_speeds_up(kind: str) -> None:
    plant = plant_of(kind, "series")
    full, half = TwinPlant(plant, assumptions=CALM), TwinPlant(plant, state_of_charge=0.5, assumptions=CALM)
    full.run(12)
    half.run(12)
    assert full.mean["battery_v"] == pytest.approx(BATTERY_V, abs=0.01)
    assert full.mean["charge_a"] == pytest.approx(full.mean["battery_a"] + full.mean["load_a"])
    assert full.mean["charge_a"] < 0.7 * half.mean["charge_a"]
    assert full.mean["wheel_rpm"] > 1.05 * half.mean["wheel_rpm"]
    assert full.mean["rectified_v"] > 1.05 * half.mean["rectified_v"]
    assert full.mean["wheel_rpm"] < runaway(plant, 10.0).wheel_rpm


def test_a_load_that_is_switched_on_is_taken_from_the_wheel_again() -> None:
    twin = TwinPlant(plant_of("fold-back", "series"), assumptions=CALM)
    twin.run(20)
    idle = twin.mean
    twin.household.switch("heater", 25.0)
    twin.run(6)
    assert twin.mean["charge_a"] - idle["charge_a"] == pytest.approx(25.0 / BATTERY_V, rel=0.05)
    assert twin.mean["wheel_rpm"] < idle["wheel_rpm"]


def test_a_converters_own_limit_unloads_the_wheel_like_a_series_controller() -> None:
    assert isinstance(DEMO.converter, FoldBackConverter)
    limited = dataclasses.replace(DEMO.converter, output_limit_v=14.1)
    plant = with_parts(plant_of("fold-back", "none"), converter=limited)
    twin = TwinPlant(plant, assumptions=CALM)
    twin.run(60)
    assert twin.mean["battery_v"] == pytest.approx(14.1, abs=0.01)
    assert twin.mean["wheel_rpm"] > 1.3 * TwinPlant(DEMO, assumptions=CALM).mean["wheel_rpm"]
    twin.put("limiter", on=True)
    twin.run(60)
    assert twin.mean["battery_v"] > 14.3


def test_the_shunt_after_the_diversion_falls_when_the_bank_is_full() -> None:
    beside, before = (
        TwinPlant(plant_of("fold-back", topology), assumptions=CALM)
        for topology in ("diversion-at-battery", "diversion-in-controller")
    )
    beside.run(5)
    before.run(5)
    for channel in ("wheel_rpm", "battery_v", "battery_a", "dump_a", "load_a"):
        assert before.mean[channel] == pytest.approx(beside.mean[channel], rel=1e-6)
    assert before.mean["charge_a"] == pytest.approx(beside.mean["charge_a"] - beside.mean["dump_a"])


@pytest.mark.parametrize(
    "topology", ["series", slow("diversion-at-battery"), slow("diversion-in-controller")]
)
def test_a_test_of_the_source_opens_for_its_time_and_goes_on(topology: str) -> None:
    plant = plant_of("fold-back", topology)
    controller = dataclasses.replace(plant.controller, open_test_every_s=20.0, open_test_s=0.2)
    twin = TwinPlant(
        with_parts(plant, controller=controller), flow_l_s=10.0, state_of_charge=0.5, assumptions=CALM
    )
    usual = twin.frame().mean
    opened = [(frame, twin.mean) for frame in range(20 * 42) if twin.frame().mean["charge_a"] == 0]
    assert [frame for frame, _ in opened] == pytest.approx(
        [n * 400 + k for n in (1, 2) for k in range(4)], abs=3
    )
    # The voltage jumps to the peak at once and further as the wheel gains speed.
    highest = max(mean["rectified_v"] for _, mean in opened)
    assert 1.15 * usual["rectified_v"] < highest < 1.6 * usual["rectified_v"]
    assert max(mean["wheel_rpm"] for _, mean in opened) == pytest.approx(1.15 * usual["wheel_rpm"], rel=0.05)
    twin.run(10)
    assert twin.mean["rectified_a"] == pytest.approx(usual["rectified_a"], rel=0.01)


def test_the_windings_warm_and_the_voltage_sags_a_little() -> None:
    quick = dataclasses.replace(CALM, winding_cooling_s=15.0, winding_j_per_k_w=0.1)
    twin = TwinPlant(DEMO, flow_l_s=20.0, assumptions=quick)
    cold = twin.frame().mean
    balance = twin.run(80)
    warm = twin.mean
    lost = twin.run(2)
    heat_w = (lost.copper_j + lost.iron_j) / 2
    per_k = 0.1 * DEMO.alternator.rated_w / 15
    assert warm["alternator_degc"] == pytest.approx(20 + heat_w / per_k, rel=0.02)
    assert warm["alternator_degc"] > 40
    assert warm["wheel_rpm"] > 1.01 * cold["wheel_rpm"]
    assert warm["rectified_v"] / warm["wheel_rpm"] < 0.99 * cold["rectified_v"] / cold["wheel_rpm"]
    assert balance.error_share < 1e-3


@pytest.mark.slow
def test_the_hunting_fault_makes_a_fold_back_converter_hunt() -> None:
    twin = TwinPlant(DEMO, assumptions=CALM)
    twin.put("converter-hunting", on=True, severity=0.7)
    drops, ran = 0, True
    for _ in range(20 * 30):
        twin.frame()
        drops += ran and not twin.bus.runs
        ran = twin.bus.runs
    assert 6 <= 2 * drops <= 25
    twin.put("converter-hunting", on=False)
    twin.run(60)
    assert twin.mean["wheel_rpm"] == pytest.approx(10.37, abs=0.1)
