"""Formulas refuse what lies outside their limits, naming the value and what would have been accepted."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from wheelpit.errors import WheelpitError
from wheelpit.physics import (
    alternator,
    battery,
    belt,
    bench,
    converter,
    discharge,
    flow,
    rating,
    water,
    wheel,
)
from wheelpit.physics.errors import PhysicsError, require

if TYPE_CHECKING:
    from collections.abc import Callable

_MACHINE = alternator.BridgedAlternator(
    pole_pairs=8, mean_v_s_rad=1.337, resistance_ohm=0.35, inductance_h=0.0015, iron_nm=0.25, diode_v=0.8
)
_OUTSIDE: dict[str, tuple[Callable[[], object], str]] = {
    "ice": (lambda: water.water_density(-0.1), "temperature_degc"),
    "hot": (lambda: water.water_density(40.1), "temperature_degc"),
    "beyond the pole": (lambda: water.local_gravity(90.5), "latitude_deg"),
    "in the sky": (lambda: water.local_gravity(50, 9000), "altitude_m"),
    "water uphill": (lambda: water.hydraulic_power(0.01, -1, 1000, 9.81), "head_m"),
    "mercury": (lambda: water.hydraulic_power(0.01, 1, 13_600, 9.81), "density_kg_m3"),
    "the moon": (lambda: water.free_fall_speed(1, 1.62), "gravity_m_s2"),
    "below the nappe's limit": (lambda: flow.v_notch_flow(0.05, 90), "head_m"),
    "too high for its crest": (lambda: flow.v_notch_flow(0.2, 90, crest_height_m=0.45), "head_m"),
    "too high for its channel": (lambda: flow.v_notch_flow(0.2, 90, channel_width_m=0.9), "head_m"),
    "a slit": (lambda: flow.v_notch_flow(0.1, 20), "notch_deg"),
    "a rating of nothing": (
        lambda: rating.rating_flow(rating.RatingLaw(0.0, 0, 2.5), 0.1),
        "coefficient_m3_s",
    ),
    "a rating as steep as a wall": (lambda: rating.rating_stage(rating.RatingLaw(1, 0, 7), 0.1), "exponent"),
    "a level in the sky": (lambda: rating.rating_flow(rating.RatingLaw(1, 0, 2), 31.0), "stage_m"),
    "how a dry rating changes": (lambda: rating.rating_slope(rating.RatingLaw(1, 0, 2), 0.0), "stage_m"),
    "gaugings upside down": (
        lambda: rating.extrapolation_u(rating.RatingLaw(1, 0, 2), 0.5, 0.3, 0.2, 0.3),
        "to_m",
    ),
    "a wheel without friction": (lambda: bench.coast_down_inertia(0, 0.9, 0.2, 4), "torque_nm"),
    "an instant bucket": (lambda: flow.bucket_flow(20, 0.1, 0.1, 0.1), "seconds"),
    "a wheel of nothing": (lambda: wheel.ceiling_speed(0.0), "diameter_m"),
    "more out than in": (lambda: belt.drive_efficiency(1, 2, 10, 10), "drive efficiency"),
    "slip at rest": (lambda: belt.slip_of(0, 0, 18), "driving_rpm"),
    "overlap beyond 60 degrees": (lambda: alternator.overlap_angle(10, 100, 0.01, 10), "direct_a"),
    "current beyond the mode": (lambda: alternator.shaft_torque(_MACHINE, 20, 40), "direct_a"),
    "current against its will": (lambda: alternator.conducting_voltage(_MACHINE, 20, -1), "direct_a"),
    "more than full": (lambda: battery.flooded_rest_voltage(1.01), "state_of_charge"),
    "a bank under charge": (lambda: battery.flooded_charge_from_rest(15.0), "rest_v"),
    "pure acid": (lambda: battery.acid_freezing_point(1.8), "specific_gravity"),
    "a coefficient of the wrong sign": (lambda: battery.charge_voltage(14.4, 0.024, 25), "v_per_degc"),
    "an odd bank": (lambda: battery.lfp_cells(6.0), "nominal_v"),
    "a converter that makes energy": (lambda: converter.input_power_limit(10, 13, 1.1), "efficiency"),
    "energy from nothing": (lambda: bench.drive_loss(6.0, 7.0), "measured_nm"),
    "a current for ever": (lambda: discharge.peukert_hours(100, 20, 0.0, 1.2), "current_a"),
    "a battery that gives more the harder it is pulled": (
        lambda: discharge.peukert_exponent(100, 20, 110, 5),
        "second_ah",
    ),
    "frozen acid": (lambda: discharge.lead_capacity_share(-40), "temperature_degc"),
    "a hydrometer in water": (lambda: battery.flooded_charge_from_gravity(0.99), "specific_gravity"),
    "a cell beyond its limit": (lambda: battery.lfp_charge_from_rest(15.0), "rest_v"),
    "a run-down that speeds up": (lambda: bench.coast_down_torque(76, 0.2, 0.9, 4), "to_rad_s"),
    "no current": (lambda: bench.torque_per_ampere(2, 1, 0), "direct_a"),
}


@pytest.mark.parametrize("case", _OUTSIDE)
def test_values_outside_are_refused_by_name(case: str) -> None:
    formula, name = _OUTSIDE[case]
    with pytest.raises(PhysicsError) as caught:
        formula()
    assert caught.value.name == name
    assert not caught.value.lowest <= caught.value.value <= caught.value.highest
    assert str(caught.value).startswith(f"{name} = ")
    assert "\n" not in str(caught.value)


def test_not_a_number_is_refused() -> None:
    with pytest.raises(PhysicsError):
        water.water_density(math.nan)


def test_the_limits_themselves_are_accepted() -> None:
    require("edge", 1.0, 1.0, 2.0)
    require("edge", 2.0, 1.0, 2.0)
    assert water.water_density(0.0) > water.water_density(40.0)


def test_a_person_can_be_told_like_of_any_other_error() -> None:
    assert issubclass(PhysicsError, WheelpitError)
    assert issubclass(PhysicsError, ValueError)
