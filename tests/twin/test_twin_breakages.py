"""What each fault does to the plant: the signs by which it can be told from others."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from tests.twin.plants import CALM, DEMO, plant_of, slow

from wheelpit.plant.operating import runaway
from wheelpit.twin.machine import TwinPlant

if TYPE_CHECKING:
    from wheelpit.plant import Plant


def _twin(plant: Plant = DEMO, *, flow_l_s: float = 10.0, state_of_charge: float = 0.98) -> TwinPlant:
    return TwinPlant(plant, flow_l_s=flow_l_s, state_of_charge=state_of_charge, assumptions=CALM)


def _after(
    name: str, seconds: float, *, severity: float = 1.0, **how: float
) -> tuple[dict[str, float], dict[str, float], TwinPlant]:
    """Return the means before a fault and so many seconds after its onset, and the twin."""
    twin = _twin(**how)  # type: ignore[arg-type]
    twin.run(2)
    before = twin.mean
    twin.put(name, on=True, severity=severity)
    twin.run(seconds)
    return before, twin.mean, twin


@pytest.mark.parametrize("name", ["fuse-open", "converter-dead"])
def test_a_lost_load_doubles_speed_and_voltage_within_seconds(name: str) -> None:
    before, after, twin = _after(name, 3)
    assert after["wheel_rpm"] > 1.8 * before["wheel_rpm"]
    assert after["rectified_v"] > 2 * before["rectified_v"]
    assert after["charge_a"] == 0
    twin.run(30)
    expected = runaway(DEMO, 10.0)
    assert twin.mean["wheel_rpm"] == pytest.approx(expected.wheel_rpm, rel=2e-3)
    assert twin.mean["rectified_v"] == pytest.approx(expected.open_v, rel=2e-3)


def test_a_lost_belt_lets_the_wheel_race_while_the_voltage_only_holds() -> None:
    before, after, twin = _after("belt-lost", 5)
    assert after["wheel_rpm"] > 2 * before["wheel_rpm"]
    assert after["alternator_rpm"] == 0
    assert 0.7 * before["rectified_v"] < after["rectified_v"] < before["rectified_v"]
    assert after["charge_a"] == 0
    twin.run(30)
    assert twin.mean["wheel_rpm"] == pytest.approx(runaway(DEMO, 10.0).belt_lost_rpm, rel=2e-3)
    assert twin.wheel.slip == 1


def test_open_leads_look_like_a_lost_belt_but_the_alternator_turns() -> None:
    before, after, _ = _after("leads-open", 5)
    assert after["wheel_rpm"] > 2 * before["wheel_rpm"]
    assert after["alternator_rpm"] > 2 * before["alternator_rpm"]
    assert after["rectified_v"] < before["rectified_v"]
    assert after["charge_a"] == 0


def test_a_jam_stops_it_and_the_voltage_falls_slowly() -> None:
    before, after, twin = _after("jam", 3)
    assert after["wheel_rpm"] == after["alternator_rpm"] == 0
    assert after["rectified_v"] > 0.7 * before["rectified_v"]
    assert after["charge_a"] == 0
    assert twin.wheel.fill > 0.5


def test_what_drags_takes_that_share_of_the_torque() -> None:
    before, after, twin = _after("jam", 20, severity=0.3)
    assert 0 < after["wheel_rpm"] < before["wheel_rpm"]
    whole_nm = twin.run(1).jam_j / (twin.mean["wheel_rpm"] * math.pi / 30)
    assert whole_nm == pytest.approx(0.3 * twin.wheel.drive.usual_nm, rel=0.01)


def test_water_gone_takes_everything_down() -> None:
    before, after, _ = _after("clogging", 20, severity=0.85)
    assert 0 < after["wheel_rpm"] < before["wheel_rpm"]
    assert after["rectified_v"] < before["rectified_v"]
    assert after["charge_a"] < 0.35 * before["charge_a"]


@pytest.mark.parametrize(("severity", "least", "most"), [(0.6, 0.01, 0.04), (0.8, 0.04, 0.6)])
def test_a_slack_belt_slips_under_load_and_the_voltage_falls_with_it(
    severity: float, least: float, most: float
) -> None:
    before, after, twin = _after("belt-slip", 20, severity=severity, flow_l_s=15.0)
    assert least < twin.wheel.slip < most
    assert after["wheel_rpm"] > before["wheel_rpm"]
    lost = twin.wheel.slip - DEMO.belt.creep
    healthy_v = before["rectified_v"] / before["wheel_rpm"] * after["wheel_rpm"]
    assert after["rectified_v"] < (1 - lost / 2) * healthy_v
    # Less load, and it grips: slip is a matter of torque.
    twin.river.order(3.0)
    twin.run(60)
    assert twin.wheel.slip == pytest.approx(DEMO.belt.creep, abs=1e-3)


def test_a_tightened_belt_catches_the_alternator_again() -> None:
    _, _, twin = _after("belt-lost", 10)
    twin.put("belt-lost", on=False)
    twin.run(40)
    assert not twin.wheel.drive.slips
    assert twin.wheel.slip == pytest.approx(DEMO.belt.creep)
    assert twin.mean["charge_a"] > 4


@pytest.mark.slow
def test_a_worn_bearing_costs_its_friction_and_shows_in_no_curve_of_the_alternator() -> None:
    before, after, twin = _after("bearing", 20)
    assert after["wheel_rpm"] < before["wheel_rpm"]
    assert after["charge_a"] < 0.9 * before["charge_a"]
    assert twin.wheel.drive.speed_rad_s > 0
    # At the same speed the bridge gives the same: bring the healthy plant there with less water.
    healthy = _twin(flow_l_s=9.0)
    while healthy.mean["wheel_rpm"] > after["wheel_rpm"]:
        healthy.river.order(healthy.river.ordered_l_s - 0.02)
        healthy.run(4)
    for channel in ("rectified_v", "rectified_a"):
        assert healthy.mean[channel] == pytest.approx(after[channel], rel=0.01)


@pytest.mark.parametrize(("name", "lost"), [("diode-open", 1 / 3), ("phase-lost", 2 / 3)])
def test_missing_pulses_take_their_share_of_the_current_and_heat(name: str, lost: float) -> None:
    twin = _twin()
    bus, rad_s, volts = twin.bus, 185 * math.pi / 30, 20.0

    def led() -> tuple[float, float]:
        bus.rectified_v = volts
        before_j = bus.copper_j
        bus.advance(1e-6, rad_s, 14.5, math.inf)
        return bus.rectified_a, (bus.copper_j - before_j) / 1e-6

    whole_a, whole_w = led()
    twin.put(name, on=True)
    part_a, part_w = led()
    assert part_a == pytest.approx((1 - lost) * whole_a, rel=1e-3)
    assert part_w / part_a**2 == pytest.approx(whole_w / whole_a**2 / (1 - lost), rel=1e-3)


@pytest.mark.parametrize("name", [slow("diode-open"), "phase-lost", slow("weak-magnets")])
def test_a_sick_alternator_gives_less_voltage_at_its_speed(name: str) -> None:
    before, after, _ = _after(name, 20)
    assert after["wheel_rpm"] > before["wheel_rpm"]
    assert after["rectified_v"] / after["wheel_rpm"] < 0.97 * before["rectified_v"] / before["wheel_rpm"]
    assert after["charge_a"] < before["charge_a"]


def test_missing_pulses_make_the_sampled_voltage_swing() -> None:
    def swing(twin: TwinPlant) -> float:
        shown = [frame.shown["rectified_v"] or 0.0 for frame in (twin.frame() for _ in range(200))]
        return max(shown) - min(shown)

    twin = _twin()
    assert swing(twin) < 0.1
    twin.put("diode-open", on=True)
    twin.run(20)
    assert swing(twin) > 2


@pytest.mark.slow
def test_wading_brakes_and_an_iced_wheel_holds_less() -> None:
    before, after, twin = _after("tailwater", 20)
    assert after["wheel_rpm"] < before["wheel_rpm"]
    assert twin.run(1).wade_j > 5
    _, after, twin = _after("ice", 20, severity=0.5, flow_l_s=40.0)
    assert twin.wheel.fill == pytest.approx(0.7 * DEMO.wheel.largest_fill, rel=0.01)
    assert twin.run(1).missed_j > 10
    assert after["wheel_rpm"] > 0
    _, after, _ = _after("ice", 5)
    assert after["wheel_rpm"] == 0


def test_a_dump_that_stays_on_drains_the_battery() -> None:
    before, after, _ = _after("dump-stuck", 30)
    assert after["dump_a"] == pytest.approx(after["battery_v"] * 250 / 14.4**2, rel=1e-3)
    assert after["battery_a"] < -8
    assert after["charge_a"] >= before["charge_a"]


@pytest.mark.parametrize("name", ["limiter", slow("dump-dead"), slow("controller-open")])
def test_a_dump_that_never_comes_on_overcharges(name: str) -> None:
    before, after, _ = _after(name, 75)
    assert after["dump_a"] == 0
    assert after["battery_v"] > DEMO.battery.overcharge_v
    assert after["charge_a"] > 4
    assert after["wheel_rpm"] == pytest.approx(before["wheel_rpm"], rel=0.01)


def test_a_dump_of_which_half_is_left_still_does_for_a_small_wheel() -> None:
    _, after, _ = _after("dump-dead", 15, severity=0.5)
    assert after["battery_v"] == pytest.approx(14.52, abs=0.01)


def test_a_leaking_converter_shows_a_current_back_when_the_wheel_stands() -> None:
    twin = _twin(flow_l_s=0.0, state_of_charge=0.7)
    twin.put("back-feed", on=True, severity=0.5)
    twin.run(5)
    assert twin.mean["charge_a"] == pytest.approx(-1.0, rel=0.01)
    assert twin.mean["battery_a"] < -1.5


def test_a_shorted_cell_takes_its_volts_and_a_corroded_terminal_its_step() -> None:
    before, after, _ = _after("shorted-cell", 2, state_of_charge=0.8)
    assert before["battery_v"] - after["battery_v"] == pytest.approx(before["battery_v"] / 6, rel=0.2)

    def step_ohm(twin: TwinPlant) -> float:
        """Volts per ampere when a kettle is switched on."""
        before = twin.frame().mean
        twin.household.switch("kettle", 500.0)
        after = twin.frame().mean
        twin.household.switch("kettle", 0.0)
        return (before["battery_v"] - after["battery_v"]) / (before["battery_a"] - after["battery_a"])

    healthy, sick = _twin(state_of_charge=0.8), _twin(state_of_charge=0.8)
    sick.put("corroded-terminal", on=True, severity=0.4)
    sick.run(1)
    assert step_ohm(healthy) == pytest.approx(DEMO.battery.resistance_ohm, rel=0.15)
    assert step_ohm(sick) > 2 * step_ohm(healthy)


def test_an_old_battery_has_half_its_capacity() -> None:
    twin = _twin(state_of_charge=0.8)
    before_ah = twin.bank.capacity_ah
    twin.put("aged-battery", on=True)
    assert twin.bank.capacity_ah == pytest.approx(0.5 * before_ah)
    assert twin.bank.state_of_charge == pytest.approx(0.8)


def test_a_wheel_that_rocks_gives_irregular_edges_and_no_current() -> None:
    twin = _twin()
    twin.put("rocking", on=True)
    twin.run(5)
    edges = [edge for _ in range(20 * 60) for edge in twin.frame().edges]
    assert twin.mean["wheel_rpm"] == twin.mean["charge_a"] == 0
    assert 40 < len(edges) < 140
    assert edges == sorted(edges)
    gaps = [later - earlier for earlier, later in pairwise(edges)]
    assert max(gaps) > 4 * min(gaps)
    twin.put("rocking", on=False)
    twin.run(20)
    assert twin.mean["charge_a"] > 4


@pytest.mark.slow
def test_a_bouncing_pickup_adds_edges_and_a_lost_magnet_takes_a_quarter() -> None:
    def edges(name: str | None) -> list[int]:
        twin = _twin()
        if name:
            twin.put(name, on=True)
        found = [
            (frame.t_us, edge) for frame in (twin.frame() for _ in range(20 * 60)) for edge in frame.edges
        ]
        assert all(t_us - 50_000 <= edge <= t_us for t_us, edge in found)
        return [edge for _, edge in found]

    healthy, bouncing, fewer = edges(None), edges("pickup-bounce"), edges("lost-magnet")
    assert set(healthy) <= set(bouncing)
    assert len(bouncing) / len(healthy) == pytest.approx(5, rel=0.1)
    assert set(fewer) <= set(healthy)
    assert len(fewer) / len(healthy) == pytest.approx(0.75, abs=0.05)


def test_debris_lifts_the_level_and_nothing_else() -> None:
    before, after, _ = _after("weir-debris", 5, severity=0.5)
    assert after["stage_m"] - before["stage_m"] == pytest.approx(0.015, abs=1e-4)
    assert after["wheel_rpm"] == pytest.approx(before["wheel_rpm"], rel=1e-3)


@pytest.mark.parametrize("kind", ["fold-back", slow("fixed"), slow("none")])
def test_a_series_controller_that_fails_open_loses_the_load_and_one_that_fails_closed_overcharges(
    kind: str,
) -> None:
    plant = plant_of(kind, "series")
    twin = _twin(plant, state_of_charge=0.6)
    twin.run(5)
    before = twin.mean
    twin.put("controller-open", on=True)
    twin.run(20)
    assert twin.mean["charge_a"] == 0
    assert twin.mean["rectified_v"] > 1.2 * before["rectified_v"]
    full = _twin(plant)
    full.run(20)
    held_v = full.mean["battery_v"]
    full.put("controller-stuck", on=True)
    full.run(25)
    assert held_v == pytest.approx(14.52, abs=0.01)
    assert full.mean["battery_v"] > held_v + 0.03
