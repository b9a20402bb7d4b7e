"""How long a battery gives a current, how a cell's voltage tells nothing, and what others' models say of a bank."""

from __future__ import annotations

import dataclasses
import importlib
from typing import Any

import numpy as np
import pytest

from wheelpit.accounts.battery_count import Counter
from wheelpit.accounts.battery_rows import BatteryRows, Beliefs
from wheelpit.accounts.battery_steps import resistance_of_steps
from wheelpit.accounts.service import WATER_G_PER_AH
from wheelpit.physics.battery import gravity_at_25_degc, lfp_charge_from_rest
from wheelpit.physics.discharge import peukert_exponent, peukert_hours
from wheelpit.physics.flow import bucket_flow
from wheelpit.plant import demo_plant_path, load_plant

_library: Any = importlib.import_module("uncertainties")
_STEP_MS = 600_000
# PyBaMM 26.10, lead_acid.Full with the parameters Sulzer2019: 17 Ah, six cells. Share of 17 Ah that is gone, open-circuit
# voltage of a cell, and its voltage under the 20, 10 and 5 hour currents [V].
_LEAD = (
    (0.0, 2.1651, 2.1614, 2.1578, 2.1506),
    (0.1, 2.1462, 2.1417, 2.1370, 2.1278),
    (0.2, 2.1273, 2.1224, 2.1174, 2.1074),
    (0.3, 2.1082, 2.1028, 2.0973, 2.0864),
    (0.4, 2.0889, 2.0829, 2.0768, 2.0648),
    (0.5, 2.0694, 2.0626, 2.0557, 2.0421),
    (0.6, 2.0495, 2.0416, 2.0336, 2.0181),
)
# PyBaMM 26.10, SPM with the parameters Prada2013: state of charge and open-circuit voltage of a LiFePO4 cell [V].
_LFP = (
    (1.0, 3.6000), (0.9, 3.3142), (0.8, 3.3099), (0.7, 3.2745), (0.6, 3.2689), (0.5, 3.2662), (0.4, 3.2539), (0.3, 3.2087),
    (0.2, 3.1715), (0.1, 2.9972), (0.0, 2.2231),
)  # fmt: skip


@pytest.mark.source(
    "batterystuff.com, Peukert's law for a rated time, worked by hand: C (A h), H (h), I (A), k, t (h)"
)
@pytest.mark.parametrize(
    ("capacity_ah", "rated_h", "current_a", "exponent", "hours"),
    [
        (100, 20, 10, 1.2, 8.7055), (100, 20, 10, 1.1, 9.3303), (100, 20, 20, 1.2, 3.7893), (100, 20, 20, 1.25, 3.5355),
        (100, 20, 50, 1.2, 1.2619), (100, 20, 50, 1.3, 1.0024),
    ],
)  # fmt: skip
def test_peukert(capacity_ah: float, rated_h: float, current_a: float, exponent: float, hours: float) -> None:
    assert peukert_hours(capacity_ah, rated_h, current_a, exponent) == pytest.approx(hours, abs=1e-4)


@pytest.mark.source(
    "electrotechnik.net 2010/01 prints 14.5 h for 100 Ah at 20 h, k = 1.2, 5 A: C / I^k, which is wrong; a rating is its own"
)
@pytest.mark.parametrize("exponent", [1.0, 1.1, 1.2, 1.3, 1.4])
def test_at_the_rated_current_it_lasts_the_rated_time(exponent: float) -> None:
    assert peukert_hours(100, 20, 5, exponent) == pytest.approx(20.0, abs=1e-12)
    assert abs(peukert_hours(100, 20, 5, 1.2) - 14.5) > 5


@pytest.mark.source(
    "plain calculus: 100 Ah at 20 h and 85 Ah at 5 h give k = 1.13280, and 17 A then last 5 h"
)
def test_the_exponent_of_two_ratings() -> None:
    exponent = peukert_exponent(100, 20, 85, 5)
    assert exponent == pytest.approx(1.13280, abs=1e-5)
    assert peukert_hours(100, 20, 17, exponent) == pytest.approx(5.0, abs=1e-6)


@pytest.mark.source(
    "PyBaMM 26.10, lead_acid.Full, Sulzer2019: 21.76 Ah at 0.85 A, 20.62 Ah at 3.4 A; apparent k 1.031 to 1.039"
)
def test_the_exponent_of_a_model_s_discharges() -> None:
    assert peukert_exponent(21.76, 21.76 / 0.85, 20.62, 20.62 / 3.4) == pytest.approx(1.039, abs=0.001)


@pytest.mark.source("PyBaMM 26.10, SPM, Prada2013: 50 to 90 % of charge span 48 mV of a cell")
def test_the_plateau_of_a_lithium_cell_is_not_read_as_a_charge() -> None:
    told = {share: lfp_charge_from_rest(4 * volts) for share, volts in _LFP}
    assert all(told[share] is None for share in (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2))
    assert told[1.0] == 1.0
    assert told[0.1] == pytest.approx(0.1, abs=0.02)
    assert told[0.0] == 0.0


def _bank(capacity_ah: float) -> tuple[Counter, Beliefs]:
    plant = load_plant(demo_plant_path())
    plant = dataclasses.replace(plant, battery=dataclasses.replace(plant.battery, capacity_ah=capacity_ah))
    beliefs = Beliefs(capacity_ah=capacity_ah, self_per_day=0.0)
    return Counter(plant, beliefs), beliefs


@pytest.mark.source(
    "PyBaMM 26.10, lead_acid.Full, Sulzer2019: 17 Ah at 0.85 A, voltage by depth of discharge"
)
def test_a_count_goes_with_the_depth_of_a_model_s_discharge() -> None:
    counter, _ = _bank(17.0)
    full, gone = 24, 72  # rows of ten minutes: held at absorption, then 12 h of 0.85 A
    depth = np.array([row[0] for row in _LEAD])
    passed = np.arange(1, gone + 1) * 0.85 / 6 / 17
    volts = np.r_[np.full(full, 14.4), 6 * np.interp(passed, depth, [row[2] for row in _LEAD])]
    start = _STEP_MS * np.arange(full + gone, dtype=np.int64)
    out_ah = np.r_[np.zeros(full), np.full(gone, 0.85 / 6)]
    rows = BatteryRows(
        start, start + _STEP_MS, volts, np.zeros(full + gone), out_ah, np.zeros(full + gone), out_ah * volts,
        np.full(full + gone, _STEP_MS, np.int64), np.full(full + gone, 21.7),
    )  # fmt: skip
    course = counter.count(rows)
    for row in _LEAD[1:]:
        at = full + round(row[0] * 17 / (0.85 / 6)) - 1
        assert course.share[at] == pytest.approx(1 - row[0], abs=0.005)
    # It is not empty anywhere there, and the model's battery has 2.04 V a cell left.
    assert not course.capacities_learned


@pytest.mark.source("PyBaMM 26.10, lead_acid.Full, Sulzer2019: (OCV - V) / I at the 5 hour current")
@pytest.mark.parametrize("row", _LEAD[1:6])
def test_steps_of_current_show_a_model_s_resistance(row: tuple[float, ...]) -> None:
    _, open_v, by_20, _, by_5 = row
    amps = np.tile(np.r_[np.full(5, -0.85), -2.0, np.full(5, -3.4), -2.0], 6)
    volts = 6 * np.where(amps == -0.85, by_20, np.where(amps == -3.4, by_5, np.nan))
    found = resistance_of_steps(volts, amps, np.ones(amps.size, bool), 1.0)
    assert found is not None
    assert found.value == pytest.approx(6 * (open_v - by_5) / 3.4, rel=0.15)


@pytest.mark.source(
    "US Bureau of Reclamation, storage-battery manual, 1.2: 0.001 for each 3 °F from 77 °F, added when warmer"
)
def test_a_hydrometer_in_cold_acid_reads_high() -> None:
    assert gravity_at_25_degc(1.250, 25.0 + 30 / 1.8) == pytest.approx(1.260, abs=1e-9)
    assert gravity_at_25_degc(1.250, 25.0 - 30 / 1.8) == pytest.approx(1.240, abs=1e-9)


@pytest.mark.source(
    "CODATA: 96 485.332 C/mol; IUPAC: water 18.015 g/mol, two electrons a molecule: 0.3361 g per Ah and cell"
)
def test_water_that_an_ampere_hour_splits() -> None:
    assert pytest.approx(0.3361, abs=1e-4) == WATER_G_PER_AH


@pytest.mark.source("uncertainties 3.2.3 (linear propagation, JCGM 100), for a quotient")
@pytest.mark.parametrize(
    ("litres", "seconds", "litres_u", "seconds_u"),
    [(20, 2.0, 0.4, 0.25), (200, 20.0, 4, 0.25), (9, 6.1, 0.1, 0.2)],
)
def test_a_flow_by_vessel_is_as_sure_as_its_parts(
    litres: float, seconds: float, litres_u: float, seconds_u: float
) -> None:
    quotient = _library.ufloat(litres, litres_u) / _library.ufloat(seconds, seconds_u)
    found = bucket_flow(litres, seconds, litres_u, seconds_u)
    assert found.value == pytest.approx(quotient.nominal_value)
    assert found.uncertainty == pytest.approx(quotient.std_dev)


@pytest.mark.source("common practice, no source")
def test_a_small_vessel_for_a_large_flow_is_a_seventh_off() -> None:
    # Two seconds to fill 20 L, a hand and a splash: about 15 %.
    found = bucket_flow(20.0, 2.0, 0.4, 0.3)
    assert found.uncertainty / found.value == pytest.approx(0.15, abs=0.01)
