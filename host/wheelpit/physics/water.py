"""Water: its density, the local gravity, the power of a falling flow, and a flow by bucket and stopwatch."""

from __future__ import annotations

import math
from typing import Final

from wheelpit.physics.errors import require

# Fall of gravity with height [m/s2 per m].
_FREE_AIR: Final = 3.085e-6


def water_density(temperature_degc: float) -> float:
    """Density of clean, air-free water at 101 325 Pa.

    rho = a5 [1 - (t + a1)^2 (t + a2) / (a3 (t + a4))]

    Args:
        temperature_degc: Temperature t of the water [°C].

    Returns:
        Density [kg/m3].

    Limits:
        0 to 40 °C. Silt, dissolved matter and air are not in it.

    Raises:
        PhysicsError: The temperature is outside the limits.

    References:
        [1] M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, Recommended table for the density of water
            between 0 °C and 40 °C, Metrologia 38 (2001) 301-309; the table of the CIPM.
    """
    require("temperature_degc", temperature_degc, 0.0, 40.0, "°C")
    t = temperature_degc
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def local_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Acceleration of free fall at a latitude and a height.

    g = 9.7803267715 (1 + 5.2790414e-3 s^2 + 2.32718e-5 s^4 + 1.262e-7 s^6 + 7e-10 s^8) - 3.085e-6 z,
    s = sin(latitude)

    Args:
        latitude_deg: Latitude, south negative [°].
        altitude_m: Height z above the sea [m].

    Returns:
        Acceleration [m/s2], within about 5e-4 of the truth: the ground below is not in it.

    Limits:
        -90 to 90 °; -430 to 6000 m.

    Raises:
        PhysicsError: Latitude or height is outside the limits.

    References:
        [1] US Code of Federal Regulations, 40 CFR 1065.630 (latitude).
        [2] WELMEC formula for gravity zones (fall with height, 3.085e-6 per s2).
    """
    require("latitude_deg", latitude_deg, -90.0, 90.0, "°")
    require("altitude_m", altitude_m, -430.0, 6000.0, "m")
    s = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = 9.7803267715 * (1 + 5.2790414e-3 * s + 2.32718e-5 * s**2 + 1.262e-7 * s**3 + 7e-10 * s**4)
    return at_sea - _FREE_AIR * altitude_m


def hydraulic_power(flow_m3_s: float, head_m: float, density_kg_m3: float, gravity_m_s2: float) -> float:
    """Power of a flow that falls through a head: what the wheel is offered.

    P = rho g Q H

    Args:
        flow_m3_s: Flow Q that reaches the wheel, not the stream's [m3/s].
        head_m: Head H, from the headrace's surface to the tailwater's [m].
        density_kg_m3: Density rho of the water [kg/m3].
        gravity_m_s2: Local gravity g [m/s2].

    Returns:
        Power [W].

    Limits:
        Flow 0 to 10 m3/s, head 0 to 50 m, density 900 to 1100 kg/m3, gravity 9.7 to 9.9 m/s2.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] IEC 60041, hydraulic power P_h = E rho Q with specific energy E = g H (from memory).
    """
    require("flow_m3_s", flow_m3_s, 0.0, 10.0, "m3/s")
    require("head_m", head_m, 0.0, 50.0, "m")
    require("density_kg_m3", density_kg_m3, 900.0, 1100.0, "kg/m3")
    require("gravity_m_s2", gravity_m_s2, 9.7, 9.9, "m/s2")
    return density_kg_m3 * gravity_m_s2 * flow_m3_s * head_m


def free_fall_speed(fall_m: float, gravity_m_s2: float) -> float:
    """Speed after a free fall from rest.

    v = sqrt(2 g h)

    Args:
        fall_m: Height h of the fall [m].
        gravity_m_s2: Local gravity g [m/s2].

    Returns:
        Speed [m/s].

    Limits:
        Fall 0 to 50 m, gravity 9.7 to 9.9 m/s2; air drag is not in it.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Torricelli's law; any textbook of mechanics.
    """
    require("fall_m", fall_m, 0.0, 50.0, "m")
    require("gravity_m_s2", gravity_m_s2, 9.7, 9.9, "m/s2")
    return math.sqrt(2.0 * gravity_m_s2 * fall_m)
