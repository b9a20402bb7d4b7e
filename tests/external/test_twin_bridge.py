"""The twin's bridge, against worked cases and against the waveform of its three phases."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

import numpy as np
import pytest

from wheelpit.physics.alternator import BridgedAlternator
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.chain import alternator_of
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.bus import BusModel
from wheelpit.twin.condition import Condition

PLANT = load_plant(demo_plant_path())
BARE = dataclasses.replace(PLANT, protection=dataclasses.replace(PLANT.protection, clamp_v=None))
# A capacitor that holds its voltage whatever flows.
STIFF = dataclasses.replace(USUAL, capacitor_f=1e9)


def _led(
    alternator: BridgedAlternator, rad_s: float, volts: float, pulses: float = 1.0
) -> tuple[float, float, float]:
    """Hold the twin's bridge at a speed and a voltage; return its current, copper loss and torque."""
    bus = BusModel(BARE, alternator, STIFF)
    bus.suffer(Condition(pulses=pulses))
    bus.rectified_v = volts
    torque_nm = bus.advance(1e-3, rad_s, 1e6, math.inf)
    return bus.rectified_a, bus.copper_j / 1e-3, torque_nm


@pytest.mark.parametrize(
    ("line_v", "hz", "inductance_h", "amps", "diode_v", "ohm", "volts"),
    [
        (400, 50, 1e-3, 50, 0.0, 0.0, 525.1898),
        (20, 50, 0.5e-3, 10, 0.0, 0.0, 25.5095),
        (20, 50, 0.5e-3, 10, 0.9, 0.1, 21.7095),
        (24, 100, 0.4e-3, 15, 0.8, 0.08, 24.8114),
        pytest.param(
            400, 50, 60e-6, 500, 2.0, 1e-3, 526.1898,
            marks=pytest.mark.source("parameters of Modelica Standard Library Electrical.Analog.Examples.Rectifier"),
        ),
    ],
)  # fmt: skip
@pytest.mark.source(
    "overlap of a three-phase bridge, 3 w L I / pi, worked by hand and by numerical integration"
)
def test_the_current_at_a_voltage_is_that_of_the_worked_case(  # noqa: PLR0917 - a case has as many values
    line_v: float, hz: float, inductance_h: float, amps: float, diode_v: float, ohm: float, volts: float
) -> None:
    rad_s = 2 * math.pi * hz
    alternator = BridgedAlternator(
        pole_pairs=1,
        mean_v_s_rad=3 * math.sqrt(2) / math.pi * line_v / rad_s,
        resistance_ohm=ohm,
        inductance_h=inductance_h,
        iron_nm=0.0,
        diode_v=diode_v,
    )
    found_a, copper_w, torque_nm = _led(alternator, rad_s, volts)
    assert found_a == pytest.approx(amps, rel=1e-4)
    assert copper_w == pytest.approx(2 * ohm * amps**2, rel=1e-3)
    # Overlap takes voltage and torque alike: what the shaft gives is what the bridge gives, and heat.
    assert torque_nm * rad_s == pytest.approx((volts + 2 * diode_v) * amps + copper_w, rel=1e-4)


class Waveform(NamedTuple):
    """Means over a turn of the field: direct current [A], copper loss [W]."""

    direct_a: float
    copper_w: float


def _waveform(alternator: BridgedAlternator, rad_s: float, volts: float, broken: str) -> Waveform:
    """Step the three phases through a few turns of the field into a battery of a fixed voltage.

    Star-connected sources, each with resistance and inductance, and six diodes of a fixed drop and 5 mohm; backward
    Euler, the star point's voltage searched so that the currents add up to nothing.
    """
    steps, turns, diode_ohm = 180, 2, 0.005
    omega = alternator.pole_pairs * rad_s
    dt = 2 * math.pi / omega / steps
    peak_v = alternator.mean_v_s_rad * rad_s * math.pi / (3 * math.sqrt(3))
    per_s = alternator.inductance_h / dt
    path_s = 1 / (per_s + alternator.resistance_ohm + diode_ohm)
    upper_v = np.full(3, volts + alternator.diode_v)
    lower_v = np.full(3, -alternator.diode_v)
    if broken == "diode-open":
        upper_v[0] = math.inf
    elif broken == "phase-lost":
        upper_v[0], lower_v[0] = math.inf, -math.inf
    amps = np.zeros(3)
    direct_a = copper_w = 0.0
    for step in range(turns * steps):
        driven_v = per_s * amps + peak_v * np.cos(omega * step * dt - np.arange(3) * 2 * math.pi / 3)
        low_v, high_v = -10 * peak_v - volts, 10 * peak_v + volts
        for _ in range(45):
            star_v = 0.5 * (low_v + high_v)
            over, under = driven_v + star_v - upper_v, driven_v + star_v - lower_v
            amps = path_s * (np.where(over > 0, over, 0.0) + np.where(under < 0, under, 0.0))
            if amps.sum() > 0:
                high_v = star_v
            else:
                low_v = star_v
        if step >= (turns - 1) * steps:
            direct_a += float(np.maximum(amps, 0).sum()) / steps
            copper_w += alternator.resistance_ohm * float((amps**2).sum()) / steps
    return Waveform(direct_a, copper_w)


@pytest.mark.source(
    "Kirchhoff's laws for three sources with resistance and inductance and six diodes, stepped here"
)
@pytest.mark.parametrize("of_mean", [0.74, 0.82])
@pytest.mark.parametrize(
    ("broken", "pulses", "current", "copper"),
    [("", 1.0, 0.10, 0.10), ("diode-open", 2 / 3, 0.10, 0.15), ("phase-lost", 1 / 3, 0.25, 0.45)],
)
def test_whole_and_broken_bridges_give_what_their_waveform_gives(
    broken: str, pulses: float, current: float, copper: float, of_mean: float
) -> None:
    alternator = alternator_of(PLANT)
    rad_s = 185 * math.pi / 30
    volts = of_mean * alternator.mean_v_s_rad * rad_s
    expected = _waveform(alternator, rad_s, volts, broken)
    found_a, copper_w, _ = _led(alternator, rad_s, volts, pulses)
    assert found_a == pytest.approx(expected.direct_a, rel=current)
    assert copper_w / found_a**2 == pytest.approx(expected.copper_w / expected.direct_a**2, rel=copper)
