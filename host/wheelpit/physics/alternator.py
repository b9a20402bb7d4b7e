"""A permanent-magnet alternator in star with a three-phase diode bridge.

Two states must be told apart. While current flows the bridge gives the mean of the six pulses, 1.35 V_LL;
without current the capacitor behind it charges to the peak, 1.414 V_LL, 4.7 % higher. Cut-in and runaway are
matters of the second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from wheelpit.physics.errors import PhysicsError, require

MEAN_PER_LINE_RMS: Final = 3.0 * math.sqrt(2.0) / math.pi  # conducting throughout
PEAK_PER_LINE_RMS: Final = math.sqrt(2.0)  # no current, capacitor charged
PEAK_PER_MEAN: Final = PEAK_PER_LINE_RMS / MEAN_PER_LINE_RMS
_FASTEST_RAD_S: Final = 1000.0


@dataclass(frozen=True, slots=True)
class BridgedAlternator:
    """An alternator with its bridge.

    Args:
        pole_pairs: Number of pole pairs [-].
        mean_v_s_rad: Mean DC voltage per speed, without drop, current and overlap [V s/rad]; the same number
            is its torque per DC ampere [N m/A].
        resistance_ohm: Resistance of one phase [ohm].
        inductance_h: Inductance of one phase [H].
        iron_nm: Torque of iron and bearings without current [N m].
        diode_v: Drop of one diode [V].

    Limits:
        Pole pairs 1 to 60, 0.001 to 50 V s/rad, 0 to 100 ohm, 0 to 0.5 H, 0 to 100 N m, 0 to 2 V.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Equivalent circuit of a synchronous machine behind its phase resistance and inductance; textbooks.
    """

    pole_pairs: int
    mean_v_s_rad: float
    resistance_ohm: float
    inductance_h: float
    iron_nm: float
    diode_v: float

    def __post_init__(self) -> None:
        """Refuse what lies outside the limits."""
        require("pole_pairs", self.pole_pairs, 1, 60)
        require("mean_v_s_rad", self.mean_v_s_rad, 0.001, 50.0, "V s/rad")
        require("resistance_ohm", self.resistance_ohm, 0.0, 100.0, "ohm")
        require("inductance_h", self.inductance_h, 0.0, 0.5, "H")
        require("iron_nm", self.iron_nm, 0.0, 100.0, "N m")
        require("diode_v", self.diode_v, 0.0, 2.0, "V")


def volts_per_radian(v_per_rpm: float) -> float:
    """Volts per rad/s from volts per turn a minute; also the torque per DC ampere in N m/A.

    k = 60 / (2 pi) v

    Args:
        v_per_rpm: Mean DC voltage per turn a minute [V min].

    Returns:
        The constant k [V s/rad], equal to torque per ampere before iron and overlap [N m/A].

    Limits:
        0.0001 to 5 V per rpm.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] Power out of the air gap is E I = T w, so E / w = T / I: conservation of energy.
    """
    require("v_per_rpm", v_per_rpm, 0.0001, 5.0, "V/rpm")
    return v_per_rpm * 60.0 / (2.0 * math.pi)


def bridge_voltage(
    line_v: float,
    frequency_hz: float,
    inductance_h: float,
    direct_a: float,
    *,
    diode_v: float = 0.0,
    resistance_ohm: float = 0.0,
) -> float:
    """Mean DC voltage of a three-phase bridge while current flows throughout.

    V = 3 sqrt(2)/pi V_LL - 3 w L I / pi - 2 V_f - 2 R I, w = 2 pi f

    The second term, the overlap of two phases, lowers voltage and torque alike; it is not a loss.

    Args:
        line_v: Line-to-line EMF V_LL, rms [V].
        frequency_hz: Electrical frequency f [Hz].
        inductance_h: Inductance L of one phase [H].
        direct_a: Direct current I [A].
        diode_v: Drop V_f of one diode [V].
        resistance_ohm: Resistance R in each conducting path, phase and diode [ohm].

    Returns:
        Mean direct voltage [V].

    Limits:
        Overlap angle below 60 °, and a voltage that is not negative: beyond, another mode of conduction holds.

    Raises:
        PhysicsError: The current is too large for the formula, or a value is negative.

    References:
        [1] Closed form of the mean of six pulses a period; the tests integrate the waveform numerically.
        [2] N. Mohan, T. Undeland, W. Robbins, Power Electronics, chapter on line-frequency rectifiers (from
            memory).
    """
    require("line_v", line_v, 0.0, 10_000.0, "V")
    require("frequency_hz", frequency_hz, 0.0, 2000.0, "Hz")
    require("inductance_h", inductance_h, 0.0, 0.5, "H")
    overlap_angle(line_v, frequency_hz, inductance_h, direct_a)
    overlap = 6.0 * frequency_hz * inductance_h * direct_a
    voltage = MEAN_PER_LINE_RMS * line_v - overlap - 2.0 * diode_v - 2.0 * resistance_ohm * direct_a
    require("bridge voltage", voltage, 0.0, math.inf, "V")
    return voltage


def overlap_angle(line_v: float, frequency_hz: float, inductance_h: float, direct_a: float) -> float:
    """Angle during which three diodes conduct at each commutation.

    cos u = 1 - 2 w L I / (sqrt(2) V_LL), w = 2 pi f

    Args:
        line_v: Line-to-line EMF V_LL, rms [V].
        frequency_hz: Electrical frequency f [Hz].
        inductance_h: Inductance L of one phase [H].
        direct_a: Direct current I [A].

    Returns:
        Overlap angle u [rad].

    Limits:
        u from 0 to 60 °, current not negative.

    Raises:
        PhysicsError: The angle would pass 60 °, or the current is negative.

    References:
        [1] Commutation of the six-pulse bridge; the tests integrate the waveform numerically.
        [2] N. Mohan, T. Undeland, W. Robbins, Power Electronics, chapter on line-frequency rectifiers (from
            memory).
    """
    require("direct_a", direct_a, 0.0, math.inf, "A")
    needed = 4.0 * math.pi * frequency_hz * inductance_h * direct_a
    if needed == 0.0:
        return 0.0
    most = PEAK_PER_LINE_RMS * line_v * 0.5
    if needed > most:
        raise PhysicsError("direct_a", direct_a, 0.0, direct_a * most / needed, "A")
    return math.acos(1.0 - needed / (PEAK_PER_LINE_RMS * line_v))


def conducting_voltage(alternator: BridgedAlternator, speed_rad_s: float, direct_a: float) -> float:
    """Voltage behind the bridge while it conducts throughout.

    V = k w - 3 p w L I / pi - 2 V_f - 2 R I; negative where the speed cannot drive that current.

    Args:
        alternator: The alternator with its bridge [-].
        speed_rad_s: Mechanical speed w [rad/s].
        direct_a: Direct current I [A].

    Returns:
        Mean direct voltage [V].

    Limits:
        0 to 1000 rad/s; 0 A to `largest_current`.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] `bridge_voltage` with w_electrical = p w_mechanical.
    """
    require("speed_rad_s", speed_rad_s, 0.0, _FASTEST_RAD_S, "rad/s")
    require("direct_a", direct_a, 0.0, largest_current(alternator), "A")
    return (
        alternator.mean_v_s_rad * speed_rad_s
        - 2.0 * alternator.diode_v
        - source_ohm(alternator, speed_rad_s) * direct_a
    )


def largest_current(alternator: BridgedAlternator) -> float:
    """Current at which the overlap reaches 60 °, where the formulas here end: the same at every speed.

    I = pi k / (12 p L), where the overlap takes a quarter of the EMF

    Args:
        alternator: The alternator with its bridge [-].

    Returns:
        Direct current [A]; infinite without inductance.

    Limits:
        Those of the alternator.

    References:
        [1] `overlap_angle` at cos u = 1/2, with V_LL and w_electrical both in proportion to speed.
    """
    if alternator.inductance_h == 0.0:
        return math.inf
    return math.pi * alternator.mean_v_s_rad / (12.0 * alternator.pole_pairs * alternator.inductance_h)


def source_ohm(alternator: BridgedAlternator, speed_rad_s: float) -> float:
    """Slope of the conducting line: how much a further ampere lowers the voltage behind the bridge.

    Z = 2 R + 3 p w L / pi

    Args:
        alternator: The alternator with its bridge [-].
        speed_rad_s: Mechanical speed w [rad/s].

    Returns:
        Volts per ampere [ohm]. Only the first term makes heat.

    Limits:
        0 to 1000 rad/s.

    Raises:
        PhysicsError: The speed is outside the limits.

    References:
        [1] `bridge_voltage` with w_electrical = p w_mechanical.
    """
    require("speed_rad_s", speed_rad_s, 0.0, _FASTEST_RAD_S, "rad/s")
    overlap = 3.0 * alternator.pole_pairs * speed_rad_s * alternator.inductance_h / math.pi
    return 2.0 * alternator.resistance_ohm + overlap


def open_voltage(alternator: BridgedAlternator, speed_rad_s: float) -> float:
    """Voltage behind the bridge without current: the capacitor is charged to the peak.

    V = sqrt(2) V_LL - 2 V_f = (pi / 3) k w - 2 V_f, not below zero

    Args:
        alternator: The alternator with its bridge [-].
        speed_rad_s: Mechanical speed w [rad/s].

    Returns:
        Direct voltage [V].

    Limits:
        0 to 1000 rad/s; sinusoidal EMF.

    Raises:
        PhysicsError: The speed is outside the limits.

    References:
        [1] Peak of the line voltage; sqrt(2) / (3 sqrt(2) / pi) = pi / 3.
    """
    require("speed_rad_s", speed_rad_s, 0.0, _FASTEST_RAD_S, "rad/s")
    return max(0.0, PEAK_PER_MEAN * alternator.mean_v_s_rad * speed_rad_s - 2.0 * alternator.diode_v)


def speed_of_open_voltage(alternator: BridgedAlternator, open_v: float) -> float:
    """Speed at which the capacitor behind the bridge charges to a voltage without current.

    w = 3 (V + 2 V_f) / (pi k)

    Args:
        alternator: The alternator with its bridge [-].
        open_v: Voltage V [V].

    Returns:
        Mechanical speed [rad/s].

    Limits:
        0 to 2000 V.

    Raises:
        PhysicsError: The voltage is outside the limits.

    References:
        [1] The inverse of `open_voltage`.
    """
    require("open_v", open_v, 0.0, 2000.0, "V")
    return (open_v + 2.0 * alternator.diode_v) / (PEAK_PER_MEAN * alternator.mean_v_s_rad)


def shaft_torque(alternator: BridgedAlternator, speed_rad_s: float, direct_a: float) -> float:
    """Torque that the alternator demands at its shaft for a direct current.

    T = (V + 2 V_f + 2 R I) I / w + T_iron = (k - 3 p L I / pi) I + T_iron

    Copper, diodes and iron are its losses; the overlap lowers voltage and torque alike and is none.

    Args:
        alternator: The alternator with its bridge [-].
        speed_rad_s: Mechanical speed w [rad/s].
        direct_a: Direct current I [A].

    Returns:
        Torque [N m].

    Limits:
        0 to 1000 rad/s; 0 A to `largest_current`.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Conservation of energy over one period, with `conducting_voltage`.
    """
    require("speed_rad_s", speed_rad_s, 0.0, _FASTEST_RAD_S, "rad/s")
    require("direct_a", direct_a, 0.0, largest_current(alternator), "A")
    slope = 3.0 * alternator.pole_pairs * alternator.inductance_h / math.pi
    return (alternator.mean_v_s_rad - slope * direct_a) * direct_a + alternator.iron_nm
