"""Flow by a V-notch weir, and by bucket and stopwatch."""

from __future__ import annotations

import math
from typing import NamedTuple

from wheelpit.physics.errors import require
from wheelpit.physics.rating import RatingLaw, rating_flow

LEAST_HEAD_M = 0.06  # 0.2 ft: below it the nappe clings
MOST_HEAD_M = 0.38
_FOOT_M = 0.3048
_HEADS_OF_CREST = 0.4  # largest head over the crest's height, and over the channel's width
_HEADS_OF_WIDTH = 0.2


class Measured(NamedTuple):
    """A value with its standard uncertainty, both in the same unit."""

    value: float
    uncertainty: float


def v_notch_flow(
    head_m: float,
    notch_deg: float,
    *,
    gravity_m_s2: float = 9.80665,
    crest_height_m: float | None = None,
    channel_width_m: float | None = None,
) -> float:
    """Flow over a thin-plate V-notch weir that is fully contracted, by Kindsvater and Shen.

    Q = 8/15 C tan(theta/2) sqrt(2 g) (h + k)^2.5,
    C = 0.607165052 - 0.000874466963 theta + 6.10393334e-6 theta^2,
    k[ft] = 0.0144902648 - 0.00033955535 theta + 3.29819003e-6 theta^2 - 1.06215442e-8 theta^3, theta in degrees

    Args:
        head_m: Head h of the upstream surface above the vertex, four heads or more upstream of it [m].
        notch_deg: Angle theta of the notch [°].
        gravity_m_s2: Local gravity g [m/s2].
        crest_height_m: Height p of the vertex above the channel's floor, where it is known [m].
        channel_width_m: Width B of the approach channel, where it is known [m].

    Returns:
        Flow over the weir [m3/s]: what passes the wheel only if all of it reaches the wheel.

    Limits:
        Notch 25 to 100 °; head 0.06 to 0.38 m, at most 0.4 p and 0.2 B; p at least 0.45 m, B at least 0.9 m;
        tailwater at least 0.06 m below the vertex (not checked here).

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] US Bureau of Reclamation, Water Measurement Manual, chapter 7, section 7 (formula, 25 to 100 °, 0.2 ft).
        [2] ISO 1438, thin-plate weirs (the same formula).
        [3] M. G. Bos (ed.), Discharge Measurement Structures, fully contracted V-notch (p, B, from memory).
    """
    if crest_height_m is not None:
        require("crest_height_m", crest_height_m, 0.45, 20.0, "m")
    if channel_width_m is not None:
        require("channel_width_m", channel_width_m, 0.9, 50.0, "m")
    law = v_notch_law(notch_deg, gravity_m_s2=gravity_m_s2)
    require("head_m", head_m, LEAST_HEAD_M, v_notch_most_head(crest_height_m, channel_width_m), "m")
    return rating_flow(law, head_m)


def v_notch_law(notch_deg: float, *, gravity_m_s2: float = 9.80665) -> RatingLaw:
    """A V-notch's formula as the power law that it is: C' = 8/15 C tan(theta/2) sqrt(2 g), h0 = -k, n = 2.5.

    Args:
        notch_deg: Angle theta of the notch [°].
        gravity_m_s2: Local gravity g [m/s2].

    Returns:
        The relation between head and flow [m3/s, m, -].

    Limits:
        Notch 25 to 100 °; for the heads of `v_notch_flow` only.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] As `v_notch_flow`.
    """
    require("notch_deg", notch_deg, 25.0, 100.0, "°")
    require("gravity_m_s2", gravity_m_s2, 9.7, 9.9, "m/s2")
    t = notch_deg
    coefficient = 0.607165052 - 0.000874466963 * t + 6.10393334e-6 * t**2
    correction_ft = 0.0144902648 - 0.00033955535 * t + 3.29819003e-6 * t**2 - 1.06215442e-8 * t**3
    slope = math.tan(math.radians(t) / 2.0)
    at_1_m = 8.0 / 15.0 * coefficient * slope * math.sqrt(2.0 * gravity_m_s2)
    return RatingLaw(at_1_m, -correction_ft * _FOOT_M, 2.5)


def v_notch_most_head(crest_height_m: float | None = None, channel_width_m: float | None = None) -> float:
    """Largest head at which a V-notch's formula holds: 0.38 m, 0.4 p or 0.2 B, whichever is least.

    Args:
        crest_height_m: Height p of the vertex above the channel's floor, where it is known [m].
        channel_width_m: Width B of the approach channel, where it is known [m].

    Returns:
        Head [m].

    Limits:
        p and B above 0 to 50 m.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] As `v_notch_flow`.
    """
    highest_m = MOST_HEAD_M
    if crest_height_m is not None:
        require("crest_height_m", crest_height_m, 1e-3, 50.0, "m")
        highest_m = min(highest_m, _HEADS_OF_CREST * crest_height_m)
    if channel_width_m is not None:
        require("channel_width_m", channel_width_m, 1e-3, 50.0, "m")
        highest_m = min(highest_m, _HEADS_OF_WIDTH * channel_width_m)
    return highest_m


def v_notch_relative_uncertainty(head_m: float, head_u_m: float, coefficient_u: float = 0.005) -> float:
    """Relative standard uncertainty of a V-notch's flow from those of head and coefficient.

    u(Q)/Q = sqrt(u_C^2 + (2.5 u_h / h)^2)

    Args:
        head_m: Head h [m].
        head_u_m: Standard uncertainty u_h of the head, with its zero: often the largest part [m].
        coefficient_u: Relative standard uncertainty u_C of the coefficient [-].

    Returns:
        Relative standard uncertainty of the flow [-].

    Limits:
        Head 0.06 to 0.38 m; u_h 0 to 0.1 m; u_C 0 to 0.2. A leaf on the crest is not in it.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100 (GUM), propagation of uncertainty through Q ~ C h^2.5; ISO 1438 clause 12 has the same form.
    """
    require("head_m", head_m, LEAST_HEAD_M, MOST_HEAD_M, "m")
    require("head_u_m", head_u_m, 0.0, 0.1, "m")
    require("coefficient_u", coefficient_u, 0.0, 0.2)
    return math.hypot(coefficient_u, 2.5 * head_u_m / head_m)


def bucket_flow(volume_l: float, seconds: float, volume_u_l: float, seconds_u: float) -> Measured:
    """Flow by bucket and stopwatch, with its uncertainty: believe it only as far as that goes.

    Q = V / t, u(Q)/Q = sqrt((u_V / V)^2 + (u_t / t)^2)

    Args:
        volume_l: Volume V caught [L].
        seconds: Time t [s].
        volume_u_l: Standard uncertainty of the volume [L].
        seconds_u: Standard uncertainty of the time; a hand and a splash take 0.2 s or more [s].

    Returns:
        Flow and its standard uncertainty [L/s].

    Limits:
        0.1 to 10 000 L in 0.5 to 3600 s; uncertainties above 0. A 20 L bucket is for less than 3 L/s; for more
        catch a bin of 200 L, or time a float.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100 (GUM), propagation of uncertainty through a quotient.
    """
    require("volume_l", volume_l, 0.1, 10_000.0, "L")
    require("seconds", seconds, 0.5, 3600.0, "s")
    require("volume_u_l", volume_u_l, 1e-6, volume_l, "L")
    require("seconds_u", seconds_u, 1e-6, seconds, "s")
    flow = volume_l / seconds
    return Measured(flow, flow * math.hypot(volume_u_l / volume_l, seconds_u / seconds))
