"""The battery's tables against an independent formula, other tables, and cell data sheets."""

from __future__ import annotations

import math

import pytest

from wheelpit.physics.battery import (
    LFP_CELL_LEAST_V,
    LFP_CELL_MOST_V,
    acid_freezing_point,
    charge_voltage,
    flooded_charge_from_rest,
    flooded_rest_voltage,
    flooded_specific_gravity,
    lfp_cells,
    lfp_may_charge,
)

# Specific gravity and molality [mol/kg] of sulphuric acid at 20 °C.
_MOLALITY = {1.265: 5.64, 1.225: 4.54, 1.190: 3.67, 1.155: 2.88, 1.120: 2.15}


def _bode_cell_v(molality: float) -> float:
    x = math.log10(molality)
    positive = 1.628 + 0.074 * x + 0.033 * x**2 + 0.043 * x**3 + 0.022 * x**4
    negative = -0.294 - 0.074 * x - 0.030 * x**2 - 0.031 * x**3 - 0.012 * x**4
    return positive - negative


@pytest.mark.source(
    "H. Bode, Lead-Acid Batteries (1977), electrode potentials; acid tables of the CRC Handbook and Perry"
)
@pytest.mark.parametrize(
    ("charge", "gravity"), [(1.0, 1.265), (0.75, 1.225), (0.5, 1.190), (0.25, 1.155), (0.0, 1.120)]
)
def test_rest_voltage_agrees_with_the_electrode_potentials(charge: float, gravity: float) -> None:
    assert flooded_specific_gravity(charge) == pytest.approx(gravity)
    assert flooded_rest_voltage(charge) == pytest.approx(6 * _bode_cell_v(_MOLALITY[gravity]), abs=0.020)


@pytest.mark.source("US Army TM 5-3805-262-20, battery voltage by state of charge: 12.6, 12.4, 12.2, 12.0 V")
@pytest.mark.parametrize(("charge", "volts"), [(1.0, 12.6), (0.75, 12.4), (0.5, 12.2), (0.25, 12.0)])
def test_rest_voltage_agrees_with_another_table_as_far_as_tables_agree(charge: float, volts: float) -> None:
    assert flooded_rest_voltage(charge) == pytest.approx(volts, abs=0.1)
    # What the software may claim of a voltage: no better than 15 points.
    assert flooded_charge_from_rest(volts) == pytest.approx(charge, abs=0.15)


@pytest.mark.source("US Army TM 5-3820-256-24-4, table 2")
@pytest.mark.parametrize(
    ("gravity", "degc"), [(1.265, -59.5), (1.225, -37.2), (1.190, -26.1), (1.155, -15.0), (1.120, -9.4)]
)
def test_freezing_points(gravity: float, degc: float) -> None:
    assert acid_freezing_point(gravity) == pytest.approx(degc, abs=0.05)


@pytest.mark.source("US Army OD1002, Tropical Climates: 1.150 at -15, 1.200 at -27, 1.250 at -52 °C")
@pytest.mark.parametrize(("gravity", "degc"), [(1.150, -15), (1.200, -27), (1.250, -52)])
def test_freezing_points_between_agree_with_another_table(gravity: float, degc: float) -> None:
    assert acid_freezing_point(gravity) == pytest.approx(degc, abs=2.5)


@pytest.mark.source(
    "US Army TM 5-3820-256-24-4 and OD1002: a flat battery freezes at about -9 °C, not at -23 °C"
)
def test_a_flat_battery_freezes_early() -> None:
    assert acid_freezing_point(flooded_specific_gravity(0.0)) == pytest.approx(-9.4, abs=0.5)


@pytest.mark.source(
    "makers' charging instructions: -3 to -5 mV/°C a cell; worked with -4: 14.880 V at 5, 14.040 V at 40 °C"
)
@pytest.mark.parametrize(("degc", "volts"), [(5.0, 14.880), (25.0, 14.4), (40.0, 14.040)])
def test_charge_voltage_by_temperature(degc: float, volts: float) -> None:
    assert charge_voltage(14.4, 6 * -0.004, degc) == pytest.approx(volts, abs=1e-9)


@pytest.mark.source(
    "data sheets of LiFePO4 cells: at most 3.65 V, 14.6 V for four; not below 2.5 V; charge 0 to 45 °C"
)
def test_lithium_limits() -> None:
    assert LFP_CELL_MOST_V * lfp_cells(12.0) == pytest.approx(14.6)
    assert LFP_CELL_LEAST_V * lfp_cells(12.0) == pytest.approx(10.0)
    assert lfp_may_charge(0.0)
    assert lfp_may_charge(45.0)
    assert not lfp_may_charge(-0.1)
    assert not lfp_may_charge(45.1)
