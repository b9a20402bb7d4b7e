"""The three-phase bridge, against the waveform itself, published factors and published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wheelpit.physics.alternator import (
    MEAN_PER_LINE_RMS,
    PEAK_PER_LINE_RMS,
    BridgedAlternator,
    bridge_voltage,
    open_voltage,
    overlap_angle,
    volts_per_radian,
)


def _mean(values: np.ndarray, angles: np.ndarray) -> float:
    return float(np.trapezoid(values, angles)) / float(angles[-1] - angles[0])


@pytest.mark.source(
    "simplified bridge models: V_dc = 3 sqrt(2)/pi V_rms; here the six-pulse waveform is integrated"
)
def test_mean_of_six_pulses() -> None:
    angles = np.linspace(0.0, 2.0 * math.pi, 360_001)
    phases = np.stack([np.sin(angles - k * 2.0 * math.pi / 3.0) for k in range(3)])
    # The highest phase less the lowest is what two conducting diodes let through.
    bridged = phases.max(axis=0) - phases.min(axis=0)
    line_rms = math.sqrt(_mean((phases[0] - phases[1]) ** 2, angles))
    assert _mean(bridged, angles) / line_rms == pytest.approx(MEAN_PER_LINE_RMS, rel=1e-8)
    assert float(bridged.max()) / line_rms == pytest.approx(PEAK_PER_LINE_RMS, rel=1e-8)


@pytest.mark.source(
    "electrical handbooks: a three-phase bridge gives 1.35 V_LL loaded, 1.41 V_LL at no load with capacitor"
)
def test_handbook_factors() -> None:
    assert round(MEAN_PER_LINE_RMS, 2) == 1.35
    assert round(PEAK_PER_LINE_RMS, 2) == 1.41
    higher = PEAK_PER_LINE_RMS / MEAN_PER_LINE_RMS - 1
    assert higher == pytest.approx(0.047, abs=5e-4)


def _with_overlap(
    line_v: float, frequency_hz: float, inductance_h: float, direct_a: float
) -> tuple[float, float]:
    """Integrate the waveform while two phases share the current; return mean voltage and overlap angle."""
    peak = math.sqrt(2.0) * line_v
    omega = 2.0 * math.pi * frequency_hz
    # The commutating voltage drives the incoming phase's current from 0 to I through both inductances.
    fine = np.linspace(0.0, math.pi / 3.0, 200_001)
    step = float(fine[1] - fine[0])
    incoming = np.concatenate([[0.0], np.cumsum((np.sin(fine[1:]) + np.sin(fine[:-1])) / 2.0)]) * step
    incoming *= peak / (2.0 * omega * inductance_h)
    overlap = float(np.interp(direct_a, incoming, fine))
    ideal = peak * np.cos(fine - math.pi / 6.0)
    shared = np.where(fine <= overlap, peak * np.sin(fine) / 2.0, 0.0)
    return _mean(ideal - shared, fine), overlap


@pytest.mark.source("the waveform with overlap, integrated here; ideal bridge, smooth current")
@pytest.mark.parametrize(
    ("line_v", "frequency_hz", "inductance_h", "direct_a"),
    [(400, 50, 1e-3, 50), (20, 50, 0.5e-3, 10), (24, 100, 0.4e-3, 15), (14.1, 24.7, 1.5e-3, 3.83)],
)
def test_overlap(line_v: float, frequency_hz: float, inductance_h: float, direct_a: float) -> None:
    volts, overlap = _with_overlap(line_v, frequency_hz, inductance_h, direct_a)
    assert bridge_voltage(line_v, frequency_hz, inductance_h, direct_a) == pytest.approx(volts, rel=1e-5)
    assert overlap_angle(line_v, frequency_hz, inductance_h, direct_a) == pytest.approx(overlap, rel=1e-4)


@pytest.mark.source(
    "parameters of Modelica Standard Library Electrical.Analog.Examples.Rectifier, with 2 V and 1 mohm"
)
def test_a_bridge_with_drops() -> None:
    # 3 sqrt(2)/pi x 400 V less 6 f L I = 9 V, two diodes 4 V and 2 x 1 mohm x 500 A = 1 V.
    volts = bridge_voltage(400, 50, 60e-6, 500, diode_v=2.0, resistance_ohm=1e-3)
    assert volts == pytest.approx(540.19 - 9.0 - 4.0 - 1.0, abs=0.005)


@pytest.mark.source(
    "conservation of energy, E I = T w: 0.14 V a turn a minute is 1.337 V s/rad and 1.337 N m/A"
)
def test_volts_per_speed_equal_torque_per_ampere() -> None:
    assert volts_per_radian(0.14) == pytest.approx(1.337, abs=5e-4)


@pytest.mark.source(
    "EN 60204-1, 6.4.1: 60 V ripple-free; by the peak factor a capacitor reaches it at 42.43 V line to line"
)
def test_the_line_voltage_that_charges_a_capacitor_to_sixty_volts() -> None:
    ideal = BridgedAlternator(
        pole_pairs=4, mean_v_s_rad=1.0, resistance_ohm=0.1, inductance_h=0.0, iron_nm=0.0, diode_v=0.0
    )
    line_v = 42.4264
    assert open_voltage(ideal, line_v * MEAN_PER_LINE_RMS) == pytest.approx(60.0, abs=1e-3)
