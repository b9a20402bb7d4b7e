"""The twin's bank discharges as an independent battery model does: not its volts, which go with its acid, but its shape."""

from __future__ import annotations

import csv
import dataclasses
import math
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.bank import BankModel

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.plant import Plant

PLANT = load_plant(demo_plant_path())
STILL = dataclasses.replace(
    USUAL, inverter_ripple=0.0, self_discharge_per_day=0.0, room_degc=25.0, loads_off_v=0.0
)
MODEL = (
    "PyBaMM 26.10.1.1, lead_acid.Full, parameter set Sulzer2019; the table is in data/lead_acid_discharge.csv"
)
MODEL_AH = {20: 21.76, 10: 21.30, 5: 20.62}  # down to 1.75 V a cell
STEP_S = 0.4


class Discharge(NamedTuple):
    """A discharge: charge taken out [Ah], and at each moment its share of the whole and the volts of 12 V."""

    ah: float
    points: list[tuple[float, float]]

    def volts(self, share: float) -> float:
        """Return the volts where so much of the charge down to 10.5 V has been taken."""
        for (left, left_v), (right, right_v) in pairwise(self.points):
            if left <= share <= right:
                return left_v + (right_v - left_v) * (share - left) / (right - left)
        raise AssertionError(share)


def _shares(taken_ah: Sequence[float], volts: Sequence[float], whole_ah: float) -> Discharge:
    return Discharge(whole_ah, [(ah / whole_ah, v) for ah, v in zip(taken_ah, volts, strict=True)])


def _twin(hours: int, plant: Plant = PLANT, until_v: float = 10.5) -> Discharge:
    """Discharge the twin's bank with a steady current down to 10.5 V."""
    bank = BankModel(plant, STILL, 1.0)
    amps = plant.battery.capacity_ah / hours
    taken_ah, volts = [], []
    step = 0
    while step == 0 or bank.battery_v > until_v:
        if step % 50 == 0:
            bank.tend(50 * STEP_S)
            if step:
                taken_ah.append(amps * step * STEP_S / 3600)
                volts.append(bank.battery_v)
        bank.advance(STEP_S, 0.0, amps * bank.battery_v)
        step += 1
    return _shares(taken_ah, volts, amps * step * STEP_S / 3600)


@pytest.fixture(scope="module")
def twin() -> dict[int, Discharge]:
    return {hours: _twin(hours) for hours in MODEL_AH}


@pytest.fixture(scope="module")
def model() -> dict[int, Discharge]:
    path = Path(__file__).parent / "data" / "lead_acid_discharge.csv"
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    taken_ah = [17 * float(row["dod"]) for row in rows]
    return {
        hours: _shares(taken_ah, [6 * float(row[f"c{hours}_v"]) for row in rows], MODEL_AH[hours])
        for hours in MODEL_AH
    }


@pytest.mark.source(MODEL)
@pytest.mark.parametrize("hours", [20, 10, 5])
def test_the_voltage_falls_in_the_same_shape(
    twin: dict[int, Discharge], model: dict[int, Discharge], hours: int
) -> None:
    first, last = 0.1, 0.75
    span, model_span = (of.volts(first) - of.volts(last) for of in (twin[hours], model[hours]))
    for share in (0.2, 0.3, 0.4, 0.5, 0.6, 0.7):
        fallen = (twin[hours].volts(first) - twin[hours].volts(share)) / span
        expected = (model[hours].volts(first) - model[hours].volts(share)) / model_span
        assert fallen == pytest.approx(expected, abs=0.06), share


@pytest.mark.source(MODEL)
def test_a_faster_discharge_gives_less(twin: dict[int, Discharge]) -> None:
    for hours in (10, 5):
        assert twin[hours].ah / twin[20].ah == pytest.approx(MODEL_AH[hours] / MODEL_AH[20], abs=0.03)
    # As Peukert's exponent: 1.03 to 1.04 there.
    exponent = math.log((20 * twin[20].ah) / (5 * twin[5].ah)) / math.log(4)
    assert 1.01 < exponent < 1.08


@pytest.mark.source(MODEL)
def test_a_faster_discharge_costs_more_volts_and_more_so_towards_the_end(
    twin: dict[int, Discharge], model: dict[int, Discharge]
) -> None:
    def growth(of: dict[int, Discharge]) -> float:
        early, late = (of[20].volts(share) - of[5].volts(share) for share in (0.1, 0.75))
        assert late > early > 0
        return late / early

    assert growth(twin) == pytest.approx(growth(model), rel=0.4)


@pytest.mark.source("common practice, no source: capacity is what a bank gives in 20 hours down to 10.5 V")
def test_the_bank_gives_about_its_label_in_twenty_hours(twin: dict[int, Discharge]) -> None:
    assert twin[20].ah == pytest.approx(PLANT.battery.capacity_ah, rel=0.05)


@pytest.mark.source(
    "US Army TM 5-1185 by its public print: a wet battery loses 0.001 of specific gravity a day below 80 °F, of a span "
    "of 0.145, and is to be recharged every 30 days"
)
def test_a_bank_that_stands_loses_its_charge_by_itself() -> None:
    bank = BankModel(PLANT, dataclasses.replace(USUAL, room_degc=25.0), 1.0)
    for _ in range(24):
        bank.tend(3600.0)
    assert 1 - bank.state_of_charge == pytest.approx(0.001 / 0.145, rel=0.2)


@pytest.mark.source(
    "PyBaMM 26.10.1.1, lithium_ion.SPM, parameter set Prada2013, discharge at C/20: volts of a LiFePO4 cell"
)
@pytest.mark.parametrize(
    ("share", "cell_v"),
    [(0.9, 3.3095), (0.8, 3.3045), (0.7, 3.2691), (0.6, 3.2647), (0.5, 3.2618), (0.4, 3.2474), (0.3, 3.2002), (0.2, 3.1626)],
)  # fmt: skip
def test_lithium_discharges_along_its_plateau(share: float, cell_v: float) -> None:
    battery = dataclasses.replace(PLANT.battery, chemistry="lfp", overcharge_v=14.6, resistance_ohm=0.001)
    controller = dataclasses.replace(PLANT.controller, v_per_degc=0.0)
    bank = BankModel(dataclasses.replace(PLANT, battery=battery, controller=controller), STILL, share)
    for _ in range(40):
        bank.tend(60.0)
        for _ in range(5):
            bank.advance(STEP_S, 0.0, 10.0 * bank.battery_v)
    assert bank.battery_v / 4 == pytest.approx(cell_v, abs=0.02)
