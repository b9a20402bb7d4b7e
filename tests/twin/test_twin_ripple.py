"""Currents that are chopped or swing: powers are means of the product, which a circuit in fine steps must give as well."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import pytest
from tests.twin.plants import CALM, DEMO, plant_of, with_parts

from wheelpit.twin.bank import BankModel
from wheelpit.twin.machine import TwinPlant

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

SMOOTH = dataclasses.replace(CALM, inverter_ripple=0.0, dump_chopped=False)
SOFT = dataclasses.replace(DEMO.battery, resistance_ohm=0.03)
MOMENTS = 30_000


def _fine(bank: BankModel, *, swing: float = 0.0, duty: float = 0.0) -> dict[str, float]:
    """Return means over a second of a bank with a swinging load and a chopped dump, worked out moment by moment."""
    inner_v = bank.battery_v - SOFT.resistance_ohm * bank.battery_a
    sums = dict.fromkeys(("volts", "load", "dump", "charge", "battery"), 0.0)
    for k in range(MOMENTS):
        t_s = k / MOMENTS
        load_a = bank.load_a * (1 - swing * math.cos(2 * math.pi * 100 * t_s))
        dump_a = bank.dump_a / duty if duty and (t_s * 331) % 1 < duty else 0.0
        battery_a = bank.charge_a - load_a - dump_a
        volts = inner_v + SOFT.resistance_ohm * battery_a
        for name, amps in (
            ("volts", 1.0),
            ("load", load_a),
            ("dump", dump_a),
            ("charge", bank.charge_a),
            ("battery", battery_a),
        ):
            sums[name] += volts * amps / MOMENTS
    return sums


def _steady(plant: Plant, assumptions: Assumptions, charge_w: float, load_w: float) -> BankModel:
    bank = BankModel(plant, assumptions, 0.99)
    bank.hold_limit()
    for _ in range(20):
        bank.advance(0.005, charge_w, load_w)
    return bank


@pytest.mark.parametrize(("load_w", "charge_w"), [(300.0, 60.0), (600.0, 0.0)])
def test_a_swinging_load_is_metered_as_in_fine_steps(load_w: float, charge_w: float) -> None:
    plant = with_parts(DEMO, battery=SOFT)
    bank = _steady(plant, CALM, charge_w, load_w)
    fine = _fine(bank, swing=CALM.inverter_ripple)
    assert bank.battery_v == pytest.approx(fine["volts"], rel=1e-6)
    for name in ("load", "charge", "battery"):
        assert getattr(bank, f"{name}_w") == pytest.approx(fine[name], rel=1e-4), name
    # The loads get what they want; the product of the means says more.
    assert bank.load_w == pytest.approx(load_w, rel=1e-4)
    over_w = bank.battery_v * bank.load_a - bank.load_w
    assert over_w == pytest.approx(0.03 * 0.5 * (0.7 * bank.load_a) ** 2, rel=1e-6)
    assert over_w > 2


def test_a_chopped_dump_is_metered_as_in_fine_steps() -> None:
    plant = with_parts(DEMO, battery=SOFT)
    bank = _steady(plant, dataclasses.replace(CALM, inverter_ripple=0.0), 180.0, 20.0)
    on_a = bank.battery_v * bank.controller.dump_s
    duty = bank.dump_a / on_a
    assert 0.3 < duty < 0.9
    fine = _fine(bank, duty=duty)
    for name in ("load", "charge", "battery"):
        assert getattr(bank, f"{name}_w") == pytest.approx(fine[name], rel=2e-3, abs=0.02), name
    assert bank.dump_w == pytest.approx(fine["dump"], rel=3e-3)
    assert bank.battery_v * bank.dump_a - bank.dump_w == pytest.approx(
        0.03 * duty * (1 - duty) * on_a**2, rel=1e-6
    )


def test_frames_tell_the_mean_of_the_product_and_a_monitor_that_averages_apart_errs() -> None:
    twin = TwinPlant(
        with_parts(plant_of("fold-back", "diversion-in-controller"), battery=SOFT), assumptions=CALM
    )
    twin.household.switch("pump", 200.0)
    frames = [twin.frame() for _ in range(100)]
    energy = twin.totals()
    for pair, joules in [
        ("charge", energy.charge_j), ("load", energy.load_j), ("dump", energy.dump_j), ("rectified", energy.rectified_j),
        ("battery", energy.battery_in_j - energy.battery_out_j),
    ]:  # fmt: skip
        assert sum(frame.watt[pair] for frame in frames) * 0.05 == pytest.approx(joules, rel=1e-9), pair
    mean, watt = frames[-1].mean, frames[-1].watt
    assert mean["battery_v"] * mean["load_a"] > watt["load"] + 1
    assert watt["charge"] == pytest.approx(watt["battery"] + watt["load"], rel=1e-9)
    smooth = TwinPlant(DEMO, assumptions=SMOOTH).frame()
    for pair, current in [
        ("charge", "charge_a"),
        ("load", "load_a"),
        ("dump", "dump_a"),
        ("battery", "battery_a"),
    ]:
        assert smooth.mean["battery_v"] * smooth.mean[current] == pytest.approx(smooth.watt[pair], abs=1e-4)


def test_what_the_swing_costs_is_heat_in_the_bank() -> None:
    steady, swinging = (_steady(DEMO, assumed, 0.0, 800.0) for assumed in (SMOOTH, CALM))
    assert swinging.load_j == pytest.approx(steady.load_j, rel=1e-3)
    assert swinging.ohmic_j > 1.2 * steady.ohmic_j
