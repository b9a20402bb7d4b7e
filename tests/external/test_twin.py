"""The twin's machine lies where published machines lie."""

from __future__ import annotations

import dataclasses
import math
from statistics import fmean

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.assumptions import REST_VOLTAGE, USUAL
from wheelpit.twin.bank import BankModel
from wheelpit.twin.machine import TwinPlant

PLANT = load_plant(demo_plant_path())
CALM = dataclasses.replace(USUAL, wander_share=0.0)
FLOWS_L_S = (3.0, 6.0, 10.0, 15.0, 20.0)


def _wheel_efficiency(flow_l_s: float) -> float:
    """What the water does to the wheel, before its bearings, over what it brings."""
    balance = TwinPlant(PLANT, flow_l_s=flow_l_s, assumptions=CALM).run(20)
    lost_j = balance.missed_j + balance.entry_j + balance.exit_j
    return 1 - (lost_j + balance.raised_gain_j) / balance.water_j


@pytest.mark.parametrize("flow_l_s", FLOWS_L_S)
@pytest.mark.source(
    "E. Quaranta, R. Revelli, Output power and power losses estimation for an overshot water wheel (2015), abstract: "
    "efficiency up to 85 to 90 %"
)
def test_no_flow_is_used_better_than_by_the_best_overshot_wheels(flow_l_s: float) -> None:
    assert 0.5 < _wheel_efficiency(flow_l_s) < 0.90


@pytest.mark.source(
    "J. Smeaton's models as told in public summaries, mean of overshot wheels 63 %; Technisches Museum Wien, model of "
    "an overshot wheel: about 75 %"
)
def test_the_mean_efficiency_is_that_of_ordinary_overshot_wheels() -> None:
    assert 0.60 < fmean(_wheel_efficiency(flow) for flow in FLOWS_L_S) < 0.78


@pytest.mark.parametrize("flow_l_s", FLOWS_L_S)
@pytest.mark.source(
    "T. Young, A Course of Lectures on Natural Philosophy, lecture XXVII: the rim moves at two to six feet in a second"
)
def test_the_rim_moves_at_the_usual_speed(flow_l_s: float) -> None:
    rpm = TwinPlant(PLANT, flow_l_s=flow_l_s, assumptions=CALM).frame().mean["wheel_rpm"]
    rim_ft_s = rpm / 60 * math.pi * PLANT.wheel.diameter_m / 0.3048
    assert 2 < rim_ft_s < 6


@pytest.mark.source(
    "J. Smeaton as quoted in J. Bigelow, Elements of Technology: best at about three feet in a second"
)
def test_the_usual_flow_turns_the_rim_at_about_the_best_speed() -> None:
    rpm = TwinPlant(PLANT, flow_l_s=10.0, assumptions=CALM).frame().mean["wheel_rpm"]
    assert rpm / 60 * math.pi * PLANT.wheel.diameter_m / 0.3048 == pytest.approx(3, rel=0.15)


@pytest.mark.source(
    "centripetal acceleration at the rim equals gravity at n = 42.3 / sqrt(D) rpm; any mechanics textbook"
)
def test_a_lost_load_does_not_pass_the_ceiling_speed() -> None:
    plant = dataclasses.replace(PLANT, protection=dataclasses.replace(PLANT.protection, clamp_v=None))
    twin = TwinPlant(plant, flow_l_s=20.0, assumptions=CALM)
    twin.put("converter-dead", on=True)
    assert max(twin.frame().mean["wheel_rpm"] for _ in range(1200)) < 42.3 / math.sqrt(PLANT.wheel.diameter_m)


@pytest.mark.parametrize(
    ("row", "molality"),
    # Molality of sulphuric acid of specific gravity 1.120 to 1.265 at 20 °C, from its weight share in the CRC
    # Handbook's density table: 17.4, 22.0, 26.5, 30.8, 35.6 %.
    list(enumerate((2.15, 2.88, 3.67, 4.54, 5.64))),
)
@pytest.mark.source(
    "H. Bode, Lead-Acid Batteries (1977), electrode potentials by molality, as in PyBaMM's parameter set Sulzer2019"
)
def test_the_rest_voltage_is_that_of_the_acid(row: int, molality: float) -> None:
    x = math.log10(molality)
    positive = 1.628 + 0.074 * x + 0.033 * x**2 + 0.043 * x**3 + 0.022 * x**4
    negative = -0.294 - 0.074 * x - 0.030 * x**2 - 0.031 * x**3 - 0.012 * x**4
    assert REST_VOLTAGE[row][1] == pytest.approx(6 * (positive - negative), abs=0.005)


@pytest.mark.parametrize(
    ("share", "volts"), [(1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0.0, 11.89)]
)
@pytest.mark.source(
    "Battery Council International, rest voltage of 12 V flooded batteries at 80 °F by state of charge"
)
def test_the_rest_voltage_lies_near_the_trade_table(share: float, volts: float) -> None:
    assert BankModel(PLANT, USUAL, share).battery_v == pytest.approx(volts, abs=0.02)


@pytest.mark.source(
    "common practice, no source: flooded lead-acid gasses noticeably from about 2.4 V a cell at 25 °C"
)
def test_gassing_begins_at_the_usual_voltage() -> None:
    def gassing_a(cell_v: float) -> float:
        bank = BankModel(PLANT, dataclasses.replace(USUAL, room_degc=25.0), 1.0)
        bank.polarisation_v = 6 * cell_v - 12.665
        bank.advance(0.005, 0.0, 0.0)
        return bank.gassing_a

    twenty_hours_a = PLANT.battery.capacity_ah / 20
    assert gassing_a(2.25) < 0.02 * twenty_hours_a
    assert 0.02 * twenty_hours_a < gassing_a(2.40) < 0.15 * twenty_hours_a
    assert gassing_a(2.60) > 0.3 * twenty_hours_a
