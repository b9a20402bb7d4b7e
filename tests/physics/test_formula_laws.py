"""What must hold of the machine whatever its figures: energy, order, and formulas that undo each other."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from wheelpit.physics import alternator, battery, belt, converter, water, wheel

_MACHINE = alternator.BridgedAlternator(
    pole_pairs=8, mean_v_s_rad=1.337, resistance_ohm=0.35, inductance_h=0.0015, iron_nm=0.25, diode_v=0.8
)
_WHEEL = wheel.OvershotWheel(
    diameter_m=1.6,
    buckets=18,
    bucket_m3=0.011,
    bucket_radius_m=0.71,
    entry_rad=math.radians(15),
    entry_m_s=1.37,
    largest_fill=0.8,
    spill_rad=math.radians(125),
    spill_rad_per_fill=math.radians(45),
    empty_rad=math.radians(160),
    bearing_nm=5.0,
    bearing_nm_s2=1.5,
    density_kg_m3=999.8,
    gravity_m_s2=9.81,
)
_CEILING = wheel.ceiling_speed(_WHEEL.diameter_m, _WHEEL.gravity_m_s2)
_speeds = st.floats(0.01, _CEILING)
_flows = st.floats(0.0, 0.03)


@given(st.floats(1.0, 60.0), st.floats(0.0, 20.0))
def test_what_enters_the_alternator_leaves_it_or_heats_it(speed: float, direct_a: float) -> None:
    volts = alternator.conducting_voltage(_MACHINE, speed, direct_a)
    entering = alternator.shaft_torque(_MACHINE, speed, direct_a) * speed
    copper, diodes = 2 * _MACHINE.resistance_ohm * direct_a**2, 2 * _MACHINE.diode_v * direct_a
    assert entering == pytest.approx(volts * direct_a + copper + diodes + _MACHINE.iron_nm * speed, rel=1e-9)


@given(st.floats(0.0, 200.0))
def test_open_voltage_and_its_speed_undo_each_other(volts: float) -> None:
    speed = alternator.speed_of_open_voltage(_MACHINE, volts)
    assert alternator.open_voltage(_MACHINE, speed) == pytest.approx(volts, abs=1e-9)


def test_without_current_the_capacitor_holds_the_peak_and_not_the_mean() -> None:
    mean_v = alternator.conducting_voltage(_MACHINE, 20.0, 0.0) + 2 * _MACHINE.diode_v
    peak_v = alternator.open_voltage(_MACHINE, 20.0) + 2 * _MACHINE.diode_v
    assert peak_v / mean_v == pytest.approx(math.pi / 3)


def test_the_overlap_is_60_degrees_at_the_largest_current_at_any_speed() -> None:
    for speed in (5.0, 50.0):
        line_v = _MACHINE.mean_v_s_rad * speed / alternator.MEAN_PER_LINE_RMS
        hertz = _MACHINE.pole_pairs * speed / (2 * math.pi)
        most = alternator.largest_current(_MACHINE)
        assert alternator.overlap_angle(
            line_v, hertz, _MACHINE.inductance_h, most * (1 - 1e-9)
        ) == pytest.approx(math.pi / 3, rel=1e-6)


@given(_speeds, _flows)
def test_the_wheel_gives_no_more_than_the_water_brings(speed: float, flow: float) -> None:
    fill = wheel.bucket_fill(_WHEEL, speed, flow)
    assert 0.0 <= fill <= _WHEEL.largest_fill
    driving = wheel.weight_torque(_WHEEL, speed, fill) + wheel.inflow_torque(_WHEEL, speed, flow)
    # From the fall before entry, and then down the circle on which the water's centre travels.
    height = _WHEEL.entry_m_s**2 / (2 * _WHEEL.gravity_m_s2) + _WHEEL.bucket_radius_m * (
        math.cos(_WHEEL.entry_rad) - math.cos(_WHEEL.empty_rad)
    )
    brought = water.hydraulic_power(flow, height, _WHEEL.density_kg_m3, _WHEEL.gravity_m_s2)
    assert driving * speed <= brought + 1e-9


@given(_flows, st.floats(0.1, 0.99))
def test_a_faster_wheel_has_less_torque_unless_water_runs_over(flow: float, share: float) -> None:
    slower, faster = share * _CEILING * 0.9, share * _CEILING
    assume(wheel.bucket_fill(_WHEEL, slower, flow) < _WHEEL.largest_fill)
    assert wheel.available_torque(_WHEEL, faster, flow) <= wheel.available_torque(_WHEEL, slower, flow) + 1e-9


def test_a_standing_wheel_under_water_is_full_and_strongest() -> None:
    assert wheel.bucket_fill(_WHEEL, 0.0, 0.001) == _WHEEL.largest_fill
    assert wheel.bucket_fill(_WHEEL, 0.0, 0.0) == 0.0
    standing = wheel.weight_torque(_WHEEL, 0.0, _WHEEL.largest_fill)
    for share in (0.1, 0.5, 0.9):
        speed = share * _CEILING
        assert wheel.weight_torque(_WHEEL, speed, wheel.bucket_fill(_WHEEL, speed, 0.02)) < standing


def test_the_jet_is_caught_until_the_rim_outruns_it() -> None:
    rim_at_jet = _WHEEL.entry_m_s / (_WHEEL.diameter_m / 2)
    assert wheel.capture(_WHEEL, rim_at_jet * 0.999) == 1.0
    assert 0.85 < wheel.capture(_WHEEL, rim_at_jet * 1.1) < 0.9
    assert wheel.inflow_torque(_WHEEL, rim_at_jet * 0.9, 0.01) > 0.0
    assert wheel.inflow_torque(_WHEEL, rim_at_jet * 1.1, 0.01) < 0.0


def test_the_torque_of_a_half_ring_is_that_of_its_weight() -> None:
    """Water from top to bottom without spilling: N m g r (cos 0 - cos 180) / 2 pi."""
    ring = wheel.OvershotWheel(
        **{
            **{name: getattr(_WHEEL, name) for name in _WHEEL.__slots__},
            "entry_rad": 0.0,
            "spill_rad": math.pi,
            "spill_rad_per_fill": 0.0,
            "empty_rad": math.pi,
        }
    )
    weight_n = ring.density_kg_m3 * 0.5 * ring.bucket_m3 * ring.buckets * ring.gravity_m_s2
    assert wheel.weight_torque(ring, 0.0, 0.5) == pytest.approx(weight_n * ring.bucket_radius_m / math.pi)


@given(st.floats(0.0, 1000.0), st.floats(0.5, 40.0), st.floats(0.0, 5.0), st.floats(0.0, 0.4))
def test_torques_of_a_drive_undo_each_other(driven: float, ratio: float, loss: float, share: float) -> None:
    driving = belt.driving_torque(driven, ratio, loss, share)
    assert belt.delivered_torque(driving, ratio, loss, share) == pytest.approx(driven, abs=1e-6)


def test_efficiency_is_torque_ratio_times_speed_ratio() -> None:
    # 5 % of the torque and 2 % of the speed are lost.
    efficiency = belt.drive_efficiency(100.0, 100.0 / 18 * 0.95, 10.0, 180.0 * 0.98)
    assert efficiency == pytest.approx(0.95 * 0.98)
    assert belt.slip_of(10.0, 180.0 * 0.98, 18.0) == pytest.approx(0.02)


def test_a_thick_belt_on_a_small_pulley_has_another_ratio_than_its_radii() -> None:
    assert belt.pitch_ratio(1.5, 1.5 / 18) == pytest.approx(18.0)
    assert belt.pitch_ratio(1.5, 1.5 / 18, 6.0) == pytest.approx(16.86, abs=0.005)


def test_fold_back_takes_nothing_below_its_start_and_no_more_than_its_limit() -> None:
    assert converter.fold_back_current(16.0, 16.0, 0.8) == 0.0
    assert converter.fold_back_current(20.0, 16.0, 0.8) == pytest.approx(3.2)
    assert converter.fold_back_current(40.0, 16.0, 0.8, 100.0) == pytest.approx(2.5)


@given(st.floats(5.0, 100.0), st.floats(0.1, 5.0), st.floats(0.1, 1000.0))
def test_a_fixed_converter_gets_its_power_or_drops_out(source_v: float, ohm: float, watts: float) -> None:
    held = converter.fixed_output_current(source_v, ohm, watts, 4.0)
    if held is None:
        # Matched, a source gives E^2 / 4 Z and no more; otherwise the voltage would be below the lock-out.
        short = watts > source_v**2 / (4 * ohm)
        low = (source_v + math.sqrt(max(0.0, source_v**2 - 4 * ohm * watts))) / 2 < 4.0
        assert short or low
    else:
        volts, amperes = held
        assert volts * amperes == pytest.approx(watts)
        assert source_v - ohm * amperes == pytest.approx(volts)
        assert volts >= source_v / 2


def test_a_bare_bridge_blocks_the_way_back() -> None:
    assert converter.direct_current(12.0, 0.5, 13.0) == 0.0
    assert converter.direct_current(14.0, 0.5, 13.0) == pytest.approx(2.0)


@given(st.floats(0.0, 1.0), st.sampled_from([12.0, 24.0, 48.0]))
def test_rest_voltage_and_charge_undo_each_other(charge: float, nominal_v: float) -> None:
    volts = battery.flooded_rest_voltage(charge, nominal_v)
    assert battery.flooded_charge_from_rest(volts, nominal_v) == pytest.approx(charge, abs=1e-9)


def test_beyond_the_table_a_resting_bank_is_full_or_empty() -> None:
    assert battery.flooded_charge_from_rest(12.9) == 1.0
    assert battery.flooded_charge_from_rest(11.0) == 0.0
