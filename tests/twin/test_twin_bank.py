"""Battery, controller and loads: currents that add up, a limit that holds, and one that has failed."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.assumptions import REST_VOLTAGE, USUAL
from wheelpit.twin.bank import BankModel
from wheelpit.twin.cells import LEAD
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.surroundings import Household

PLANT = load_plant(demo_plant_path())
CALM = dataclasses.replace(USUAL, wander_share=0.0)
DT = 0.005


def _bank(state_of_charge: float, **assumed: Any) -> BankModel:
    return BankModel(PLANT, dataclasses.replace(USUAL, **assumed), state_of_charge)


def _lead(bank: BankModel, seconds: float, charge_w: float, load_w: float = 0.0) -> None:
    for _ in range(round(seconds / 0.05)):
        bank.tend(0.05)
        for _ in range(10):
            bank.advance(DT, charge_w, load_w)


def test_currents_add_up_in_every_frame() -> None:
    twin = TwinPlant(PLANT, seed=2)
    seen_dump = seen_discharge = False
    for flow_l_s, failed, jammed in [
        (10, False, False),
        (20, True, False),
        (4, False, False),
        (9, False, True),
    ]:
        twin.river.order(flow_l_s)
        twin.put("limiter", on=failed)
        twin.put("jam", on=jammed)
        for _ in range(200):
            mean = twin.frame().mean
            assert mean["charge_a"] == pytest.approx(
                mean["battery_a"] + mean["load_a"] + mean["dump_a"], abs=1e-9
            )
            assert mean["charge_a"] >= 0
            assert mean["dump_a"] >= 0
            seen_dump = seen_dump or mean["dump_a"] > 1
            seen_discharge = seen_discharge or mean["battery_a"] < -0.5
    assert seen_dump
    assert seen_discharge


def test_the_diversion_holds_the_absorption_voltage() -> None:
    twin = TwinPlant(PLANT)
    frames = [twin.frame() for _ in range(600)]
    limit_v = 14.4 - 0.024 * (20 - 25)
    assert all(frame.mean["battery_v"] == pytest.approx(limit_v, abs=2e-3) for frame in frames)
    assert all(frame.mean["dump_a"] > 0 for frame in frames)


@pytest.mark.parametrize(
    ("room_degc", "limit_v"), [(25.0, 14.40), (0.0, 15.00), (-5.0, 15.12), (35.0, 14.16)]
)
def test_the_limit_follows_the_temperature(room_degc: float, limit_v: float) -> None:
    assert _bank(0.98, room_degc=room_degc).controller.limit_v == pytest.approx(limit_v)


def test_a_dump_that_is_too_small_lets_the_voltage_rise() -> None:
    small = dataclasses.replace(PLANT, controller=dataclasses.replace(PLANT.controller, dump_w=20.0))
    bank = BankModel(small, USUAL, 0.98)
    bank.hold_limit()
    _lead(bank, 60, 100.0)
    assert bank.battery_v > bank.controller.limit_v + 0.2
    assert bank.dump_a == pytest.approx(bank.battery_v / (14.4**2 / 20))
    assert bank.charge_a == pytest.approx(bank.battery_a + bank.dump_a)


@pytest.mark.parametrize("seed", range(3))
def test_a_failed_limiter_passes_the_hard_limit_soon(seed: int) -> None:
    twin = TwinPlant(PLANT, seed=seed)
    twin.run(30)
    twin.put("limiter", on=True)
    passed_s = next(
        n / 20 for n in range(20 * 180) if twin.frame().mean["battery_v"] > PLANT.battery.overcharge_v
    )
    assert 20 < passed_s < 120
    # The limit compensated for the bank's 20 °C is passed as well, and what stops the rise is gassing.
    twin.run(60)
    assert twin.bank.battery_v > PLANT.battery.overcharge_v - 0.024 * (twin.bank.temperature_degc - 25)
    assert twin.bank.gassing_a > 1.5
    assert twin.bank.battery_v < 15.8
    twin.put("limiter", on=False)
    twin.run(30)
    assert twin.bank.battery_v == pytest.approx(twin.bank.controller.limit_v, abs=2e-3)


def test_after_absorption_it_floats_and_a_low_bank_is_absorbed_again() -> None:
    bank = _bank(0.98, absorption_s=30.0)
    bank.hold_limit()
    _lead(bank, 29, 60.0)
    stages = [bank.controller.floats]
    _lead(bank, 60, 60.0)
    stages.append(bank.controller.floats)
    assert bank.battery_v == pytest.approx(13.4 - 0.024 * (bank.temperature_degc - 25), abs=2e-3)
    _lead(bank, 120, 0.0, load_w=400.0)
    stages.append(bank.controller.floats)
    assert stages == [False, True, False]


def test_gassing_grows_tenfold_per_tafel_step() -> None:
    def gassing_a(volts: float) -> float:
        bank = _bank(0.9, room_degc=25.0)
        bank.polarisation_v = volts - LEAD.volts(0.9)
        bank.advance(DT, 0.0, 0.0)
        return bank.gassing_a

    assert gassing_a(13.5) == pytest.approx(0.1, rel=1e-3)
    assert gassing_a(14.7) == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(
    ("state_of_charge", "least", "most"), [(0.4, 0.99, 1.0), (0.9, 0.8, 0.99), (0.99, 0.0, 0.5)]
)
def test_a_fuller_bank_takes_its_charge_less_well(state_of_charge: float, least: float, most: float) -> None:
    bank = _bank(state_of_charge)
    bank.controller.limiter_dead = True
    _lead(bank, 300, 140.0)
    begun_c, stored_c = bank.in_c, bank.stored_c
    _lead(bank, 60, 140.0)
    # What the plates took of what went in.
    assert least <= (bank.stored_c - stored_c) / (bank.in_c - begun_c) <= most


def test_charge_is_kept() -> None:
    bank = _bank(0.5, self_discharge_per_day=0.0)
    begun_c, gassed_c = bank.stored_c, 0.0
    for step in range(20_000):
        if step % 10 == 0:
            bank.tend(0.05)
        bank.advance(DT, 80.0 if step % 4000 < 2000 else 0.0, 50.0)
        gassed_c += bank.gassing_a * DT
    assert bank.stored_c - begun_c == pytest.approx(bank.in_c - bank.out_c - gassed_c, abs=1e-6)
    assert bank.charge_c > 100


def test_what_a_long_discharge_and_charge_lose_is_named() -> None:
    bank = _bank(0.7)
    for charge_w, load_w in [(0.0, 300.0), (120.0, 0.0)]:
        stored_j = bank.chemical_j + bank.polarised_j
        begun = _spent(bank)
        for step in range(12_000):
            if step % 10 == 0:
                bank.tend(1.0)
            bank.advance(0.1, charge_w, load_w)
        gained_j = bank.chemical_j + bank.polarised_j - stored_j
        passed_j = 1200 * abs(charge_w - load_w)
        assert gained_j + _spent(bank) - begun == pytest.approx(0, abs=1e-4 * passed_j)


def _spent(bank: BankModel) -> float:
    """Return what a bank has lost and given away, less what it was given [J]."""
    lost_j = bank.ohmic_j + bank.polarisation_j + bank.gassing_j + bank.self_discharge_j
    return lost_j + bank.load_j + bank.dump_j - bank.given_j


def test_a_switched_load_is_drawn_beside_the_steady_one() -> None:
    household = Household(CALM, 1, 9.0)
    steady_w = household.load_w
    household.switch("kettle", 1000.0)
    household.switch("lamp in the shed", 20.0)
    assert household.load_w == steady_w + 1020
    household.switch("kettle", 0.0)
    for _ in range(1000):
        household.tend(1.0)
    assert household.load_w - 20 in {steady_w, steady_w + CALM.lamp_w}


def test_a_kettle_lowers_the_voltage_by_current_times_resistance() -> None:
    bank = _bank(0.8)
    _lead(bank, 60, 0.0, 10.0)
    before_v, before_a = bank.battery_v, bank.battery_a
    bank.advance(DT, 0.0, 1000.0)
    drawn_a = before_a - bank.battery_a
    assert drawn_a > 80
    assert before_v - bank.battery_v == pytest.approx(0.008 * drawn_a, rel=0.01)


def test_the_inverter_gives_up_and_comes_back() -> None:
    bank = _bank(0.0, loads_off_v=11.5)
    _lead(bank, 60, 0.0, 600.0)
    assert not bank.loads_on
    assert bank.load_a == 0
    _lead(bank, 900, 140.0, 600.0)
    assert bank.load_j > 0
    assert bank.out_j > 0


def test_losses_warm_the_bank() -> None:
    bank = _bank(0.99)
    bank.controller.limiter_dead = True
    _lead(bank, 600, 100.0)
    heat_j = bank.ohmic_j + bank.polarisation_j + bank.gassing_heat_j
    assert bank.temperature_degc - 20 == pytest.approx(heat_j / (250.0 * 200), rel=0.05)
    assert bank.temperature_degc > 20.2


def test_the_rest_voltage_goes_through_its_table_and_its_integral_fits() -> None:
    for share, volts in REST_VOLTAGE:
        assert LEAD.volts(share) == pytest.approx(volts)
    for share in (-0.05, 0.1, 0.25, 0.6, 0.99, 1.02):
        slope = (LEAD.volts_charge(share + 1e-6) - LEAD.volts_charge(share - 1e-6)) / 2e-6
        assert slope == pytest.approx(LEAD.volts(share), rel=1e-6)
    assert LEAD.volts_charge(0) == 0


def test_a_24_volt_bank_is_two_of_12() -> None:
    double = dataclasses.replace(
        PLANT,
        battery=dataclasses.replace(PLANT.battery, nominal_v=24.0, resistance_ohm=0.016, overcharge_v=30.0),
        controller=dataclasses.replace(PLANT.controller, absorption_v=28.8, float_v=26.8, v_per_degc=-0.048, dump_w=500),
    )  # fmt: skip
    one, two = BankModel(PLANT, USUAL, 0.95), BankModel(double, USUAL, 0.95)
    _lead(one, 120, 60.0, 10.0)
    _lead(two, 120, 120.0, 20.0)
    assert two.battery_v == pytest.approx(2 * one.battery_v, rel=1e-6)
    assert two.battery_a == pytest.approx(one.battery_a, rel=1e-6)
    assert math.isclose(two.temperature_degc, one.temperature_degc, rel_tol=1e-6)
