"""Density, gravity, power of water and the weir, against tables, a regulation, rules of the trade and libraries."""

from __future__ import annotations

import math

import pytest

from wheelpit.physics.flow import bucket_flow, v_notch_flow, v_notch_relative_uncertainty
from wheelpit.physics.water import free_fall_speed, hydraulic_power, local_gravity, water_density

# Exact by definition.
_FOOT_M = 0.3048
_GALLON_M3 = 3.785411784e-3
_HORSEPOWER_W = 745.69987158227022
_STANDARD_GRAVITY = 9.80665


@pytest.mark.source(
    "IAPWS-95, Wagner and Pruss, J. Phys. Chem. Ref. Data 31 (2002) 387, as in the library iapws"
)
@pytest.mark.parametrize("degc", [0.01, 1, 2, 4, 6, 8, 10, 12, 15, 18, 20, 22, 25, 28, 30, 35, 39.9])
def test_density_agrees_with_the_international_equation_of_state(degc: float) -> None:
    from iapws import IAPWS95  # noqa: PLC0415 - takes a second, and only this test needs it

    expected = IAPWS95(T=degc + 273.15, P=0.101325).rho
    assert water_density(degc) == pytest.approx(expected, abs=0.01)


@pytest.mark.source("US Code of Federal Regulations, 40 CFR 1065.630, worked example at 45 degrees")
def test_gravity_at_45_degrees() -> None:
    assert local_gravity(45.0) == pytest.approx(9.8061992026, abs=5e-11)


@pytest.mark.source(
    "WELMEC formula for gravity zones, as in the library ahrs 0.4 (its documented example and more)"
)
@pytest.mark.parametrize(("latitude", "altitude"), [(52.3, 80), (0, 0), (54.3, 210), (-33.9, 1700), (90, 0)])
def test_gravity_agrees_with_the_gravity_zones(latitude: float, altitude: float) -> None:
    from ahrs.utils import welmec_gravity  # noqa: PLC0415 - only these tests need it

    assert local_gravity(latitude, altitude) == pytest.approx(
        welmec_gravity(latitude, float(altitude)), abs=5e-5
    )


@pytest.mark.source(
    "Somigliana's formula on the ellipsoid WGS 84 with free-air fall, as in the library ahrs 0.4"
)
@pytest.mark.parametrize(("latitude", "altitude"), [(0, 0), (50, 1000), (60, 500), (45, 2000), (-20, 4000)])
def test_gravity_agrees_with_the_ellipsoid(latitude: float, altitude: float) -> None:
    from ahrs.utils import WGS  # noqa: PLC0415 - only these tests need it

    expected = WGS().normal_gravity(float(latitude), float(altitude))
    assert local_gravity(latitude, altitude) == pytest.approx(expected, abs=2e-4)


@pytest.mark.source(
    "definitions of the US gallon, the foot and standard gravity: 1 gpm falling 1 ft gives 0.1886 W"
)
def test_power_of_one_gallon_a_minute_falling_one_foot() -> None:
    watts = hydraulic_power(_GALLON_M3 / 60, _FOOT_M, 1000.0, _STANDARD_GRAVITY)
    assert watts == pytest.approx(0.1886, abs=5e-5)


@pytest.mark.source(
    "US Department of Energy, Planning a Microhydropower System: ft x gpm / 10 = W, at 50 % to 70 %"
)
def test_the_rule_of_a_tenth_lies_within_its_own_efficiencies() -> None:
    flow_gpm, head_ft = 150.0, 6.0
    offered = hydraulic_power(
        flow_gpm * _GALLON_M3 / 60, head_ft * _FOOT_M, water_density(10), _STANDARD_GRAVITY
    )
    assert 0.50 <= head_ft * flow_gpm / 10 / offered <= 0.70


@pytest.mark.source(
    "hydropower handbooks: hp = ft3/s x ft / 8.81 (from memory; 62.4 lb/ft3 over 550 ft lb/s is 1/8.814)"
)
def test_power_in_horsepower() -> None:
    watts = hydraulic_power(_FOOT_M**3, _FOOT_M, water_density(10), _STANDARD_GRAVITY)
    assert watts / _HORSEPOWER_W == pytest.approx(1 / 8.81, rel=2e-3)


@pytest.mark.source("public rule kW = ft x gpm / 5308 with the worked value 30 ft, 50 gpm: 0.28 kW")
def test_power_of_thirty_feet_and_fifty_gallons() -> None:
    watts = hydraulic_power(50 * _GALLON_M3 / 60, 30 * _FOOT_M, water_density(10), _STANDARD_GRAVITY)
    assert watts == pytest.approx(282.6, rel=2e-3)


@pytest.mark.source("Torricelli's law: 0.2 m at standard gravity give sqrt(2 x 9.80665 x 0.2) = 1.98057 m/s")
def test_spouting_speed() -> None:
    assert free_fall_speed(0.2, _STANDARD_GRAVITY) == pytest.approx(1.98057, abs=5e-6)


# Head [ft] and US gallons a minute over a 90 degree V-notch.
_OREGON = {
    0.20: 19.9, 0.21: 22.5, 0.22: 25.3, 0.23: 28.3, 0.24: 31.6, 0.25: 35.1, 0.26: 38.8, 0.27: 42.8, 0.28: 47.0,
    0.29: 51.4, 0.30: 56.0, 0.31: 60.8, 0.32: 65.8, 0.33: 71.1, 0.34: 76.7, 0.35: 82.6, 0.36: 88.8, 0.37: 95,
    0.38: 101, 0.39: 108, 0.40: 115, 0.41: 122, 0.42: 130, 0.43: 137, 0.44: 145, 0.45: 154, 0.46: 162, 0.47: 171,
    0.48: 181, 0.49: 190,
}  # fmt: skip


@pytest.mark.source("Oregon State College, Extension Circular 550 (August 1952), table 1, 90 degree V-notch")
@pytest.mark.parametrize(("head_ft", "gpm"), _OREGON.items())
def test_v_notch_agrees_with_a_published_table(head_ft: float, gpm: float) -> None:
    flow = v_notch_flow(head_ft * _FOOT_M, 90.0) / _GALLON_M3 * 60
    # The old table bends away below 0.3 ft, where it was drawn by hand through few points.
    assert flow == pytest.approx(gpm, rel=0.01 if head_ft >= 0.295 else 0.04)


@pytest.mark.source(
    "Cone's formula Q = 2.49 h^2.48 in feet, US Bureau of Reclamation, Water Measurement Manual, eq. 7-6"
)
@pytest.mark.parametrize("head_m", [0.061, 0.08, 0.10, 0.12, 0.15, 0.20, 0.25, 0.30, 0.38])
def test_v_notch_agrees_with_another_formula(head_m: float) -> None:
    cone = 2.49 * math.pow(head_m / _FOOT_M, 2.48) * _FOOT_M**3
    assert v_notch_flow(head_m, 90.0) == pytest.approx(cone, rel=0.01)


@pytest.mark.source(
    "San Diego State University, hydraulics laboratory 5: at 90 degrees Ce 0.578 and k 0.0029 ft"
)
def test_v_notch_coefficients_at_a_right_angle() -> None:
    head_ft = 0.6
    expected = 4.28 * 0.578 * math.pow(head_ft + 0.0029, 2.5)  # imperial form of the same formula
    assert v_notch_flow(head_ft * _FOOT_M, 90.0) / _FOOT_M**3 == pytest.approx(expected, rel=1e-3)


@pytest.mark.source(
    "JCGM 100 (GUM) 5.1.2 on Q ~ h^2.5: 1 mm in 100 mm is 2.5 %, with 0.5 % of the coefficient 2.55 %"
)
def test_uncertainty_of_a_v_notch() -> None:
    assert v_notch_relative_uncertainty(0.100, 0.001) == pytest.approx(0.0255, abs=5e-5)


@pytest.mark.source("JCGM 100 (GUM) 5.1.2 on a quotient: 20 L in 2 s, 0.3 s uncertain, is 10 L/s to 15 %")
def test_uncertainty_of_a_bucket() -> None:
    flow = bucket_flow(20.0, 2.0, 0.2, 0.3)
    assert flow.value == pytest.approx(10.0)
    assert flow.uncertainty / flow.value == pytest.approx(0.15, abs=5e-4)
