"""An overshot wheel: how far its buckets fill, and the torque of the water in them.

The water of the filled sector turns the wheel by its weight; what it brings in speed adds a little or, above
the speed of the jet, takes it away. Faster turning tilts the water's surface outward, so that it spills
sooner; at the ceiling speed no bucket holds water at the top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from wheelpit.physics.errors import require

# Share of the jet that misses a bucket, per share by which the bucket outruns it.
_MISSED_PER_OVERSPEED: Final = 1.2


@dataclass(frozen=True, slots=True)
class OvershotWheel:
    """An overshot wheel and the water's properties where it stands.

    Args:
        diameter_m: Outer diameter D [m].
        buckets: Number of buckets N [-].
        bucket_m3: Volume of one brim-full bucket [m3].
        bucket_radius_m: Axle to the centre of the water in a bucket, r [m].
        entry_rad: Angle after top at which water enters [rad].
        entry_m_s: Speed of the entering water along the rim [m/s].
        largest_fill: Largest share of a bucket that fills [-].
        spill_rad: Angle after top at which a nearly empty bucket begins to spill, standing still [rad].
        spill_rad_per_fill: How much sooner a full bucket begins [rad].
        empty_rad: Angle after top at which a bucket is empty, standing still [rad].
        bearing_nm: Friction torque of the bearings [N m].
        bearing_nm_s2: Drag torque per square of speed [N m s2].
        density_kg_m3: Density of the water [kg/m3].
        gravity_m_s2: Local gravity [m/s2].

    Limits:
        Diameter 0.3 to 20 m; 6 to 120 buckets; bucket radius below half the diameter; entry before spilling,
        spilling before empty, empty at most 180 °; fill up to 1; no negative value.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Geometry of the wheel; measured or estimated by its builder.
    """

    diameter_m: float
    buckets: int
    bucket_m3: float
    bucket_radius_m: float
    entry_rad: float
    entry_m_s: float
    largest_fill: float
    spill_rad: float
    spill_rad_per_fill: float
    empty_rad: float
    bearing_nm: float
    bearing_nm_s2: float
    density_kg_m3: float
    gravity_m_s2: float

    def __post_init__(self) -> None:
        """Refuse what lies outside the limits."""
        require("diameter_m", self.diameter_m, 0.3, 20.0, "m")
        require("buckets", self.buckets, 6, 120)
        require("bucket_m3", self.bucket_m3, 1e-5, 5.0, "m3")
        require("bucket_radius_m", self.bucket_radius_m, 0.05, self.diameter_m / 2.0, "m")
        require("entry_m_s", self.entry_m_s, 0.0, 20.0, "m/s")
        require("largest_fill", self.largest_fill, 0.05, 1.0)
        require("spill_rad_per_fill", self.spill_rad_per_fill, 0.0, math.pi / 2.0, "rad")
        require("empty_rad", self.empty_rad, 0.0, math.pi, "rad")
        require("spill_rad", self.spill_rad, 0.0, self.empty_rad, "rad")
        require("entry_rad", self.entry_rad, 0.0, self.spill_rad - self.spill_rad_per_fill, "rad")
        require("bearing_nm", self.bearing_nm, 0.0, 1e5, "N m")
        require("bearing_nm_s2", self.bearing_nm_s2, 0.0, 1e5, "N m s2")
        require("density_kg_m3", self.density_kg_m3, 900.0, 1100.0, "kg/m3")
        require("gravity_m_s2", self.gravity_m_s2, 9.7, 9.9, "m/s2")


def ceiling_speed(diameter_m: float, gravity_m_s2: float = 9.80665) -> float:
    """Speed at which the rim's centripetal acceleration equals gravity: no bucket holds water at the top.

    w = sqrt(2 g / D); in turns a minute n = 42.3 / sqrt(D)

    Args:
        diameter_m: Outer diameter D [m].
        gravity_m_s2: Gravity g [m/s2].

    Returns:
        Speed [rad/s].

    Limits:
        Diameter 0.3 to 20 m, gravity 9.7 to 9.9 m/s2.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] w^2 D / 2 = g; any textbook of mechanics.
    """
    require("diameter_m", diameter_m, 0.3, 20.0, "m")
    require("gravity_m_s2", gravity_m_s2, 9.7, 9.9, "m/s2")
    return math.sqrt(2.0 * gravity_m_s2 / diameter_m)


def rim_speed(diameter_m: float, speed_rad_s: float) -> float:
    """Speed of the rim.

    u = w D / 2

    Args:
        diameter_m: Outer diameter D [m].
        speed_rad_s: Speed w [rad/s].

    Returns:
        Speed of the rim [m/s]. Overshot wheels usually run at 0.6 to 1.8 m/s [2].

    Limits:
        Diameter 0.3 to 20 m; 0 to 100 rad/s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Kinematics of a turning body.
        [2] T. Young, A Course of Lectures on Natural Philosophy, lecture XXVII: two to six feet in a second.
    """
    require("diameter_m", diameter_m, 0.3, 20.0, "m")
    require("speed_rad_s", speed_rad_s, 0.0, 100.0, "rad/s")
    return speed_rad_s * diameter_m / 2.0


def capture(wheel: OvershotWheel, speed_rad_s: float) -> float:
    """Share of the inflow that the buckets take.

    c = 1 up to the jet's speed v; above it c = 1 - 1.2 (u / v - 1), not below zero; u = w D / 2, the rim's

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].

    Returns:
        Share from 0 to 1 [-].

    Limits:
        0 rad/s to the ceiling speed. The slope 1.2 is a plain assumption, which matters above 1.8 times the
        usual running speed only.

    Raises:
        PhysicsError: The speed is outside the limits.

    References:
        [1] Assumption of this model; common practice, no source.
    """
    _require_speed(wheel, speed_rad_s)
    rim_m_s = rim_speed(wheel.diameter_m, speed_rad_s)
    if rim_m_s <= wheel.entry_m_s:
        return 1.0
    if wheel.entry_m_s == 0.0:
        return 0.0
    return max(0.0, 1.0 - _MISSED_PER_OVERSPEED * (rim_m_s / wheel.entry_m_s - 1.0))


def bucket_fill(wheel: OvershotWheel, speed_rad_s: float, flow_m3_s: float) -> float:
    """Share of a bucket that fills as it passes the jet.

    f = c Q / (n N V), n = w / (2 pi); at most the largest fill: what is more runs over

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].
        flow_m3_s: Flow Q onto the wheel [m3/s].

    Returns:
        Fill f [-]; standing still with any flow it is the largest fill.

    Limits:
        0 rad/s to the ceiling speed; 0 to 10 m3/s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Continuity: volume offered per bucket that passes.
    """
    require("flow_m3_s", flow_m3_s, 0.0, 10.0, "m3/s")
    offered = capture(wheel, speed_rad_s) * flow_m3_s
    if offered == 0.0:
        return 0.0
    passing = speed_rad_s / (2.0 * math.pi) * wheel.buckets * wheel.bucket_m3
    return wheel.largest_fill if offered >= wheel.largest_fill * passing else offered / passing


def weight_torque(wheel: OvershotWheel, speed_rad_s: float, fill: float) -> float:
    """Torque of the water in the filled sector by its weight.

    T = rho g f V N r / (2 pi) [ cos a - cos b + cos b - (sin e - sin b) / (e - b) ]

    with water from the entry a to the angle b where spilling begins, then evenly less until empty at e.
    Standing still b = b0 - b1 f. Turning tilts the water by atan(w^2 r / g): b and e come sooner by that.

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].
        fill: Fill f of a bucket after entry [-].

    Returns:
        Torque [N m].

    Limits:
        0 rad/s to the ceiling speed; fill 0 to the largest fill. Buckets are many enough to count as a ring.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Statics: moment of the weights about the axle, integrated over the sector.
        [2] M. Denny, The efficiency of overshot and undershot waterwheels, Eur. J. Phys. 25 (2004) 193-202
            (further reading; no number is taken from it).
    """
    _require_speed(wheel, speed_rad_s)
    require("fill", fill, 0.0, wheel.largest_fill)
    tilt = math.atan(speed_rad_s**2 * wheel.bucket_radius_m / wheel.gravity_m_s2)
    entry = wheel.entry_rad
    empty = max(entry, wheel.empty_rad - tilt)
    spill = min(max(entry, wheel.spill_rad - wheel.spill_rad_per_fill * fill - tilt), empty)
    arm = math.cos(entry)
    if empty > spill:
        arm -= (math.sin(empty) - math.sin(spill)) / (empty - spill)
    else:
        arm -= math.cos(spill)
    ring_kg = wheel.density_kg_m3 * fill * wheel.bucket_m3 * wheel.buckets
    return ring_kg * wheel.gravity_m_s2 * wheel.bucket_radius_m * arm / (2.0 * math.pi)


def inflow_torque(wheel: OvershotWheel, speed_rad_s: float, flow_m3_s: float) -> float:
    """Torque of the water's change of speed as it enters; negative where the bucket outruns it.

    T = rho q (v - u) D / 2, u = w D / 2, with q what the buckets take: never more than the largest fill

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].
        flow_m3_s: Flow Q onto the wheel [m3/s].

    Returns:
        Torque [N m].

    Limits:
        0 rad/s to the ceiling speed; 0 to 10 m3/s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Conservation of angular momentum.
    """
    fill = bucket_fill(wheel, speed_rad_s, flow_m3_s)
    taken = fill * speed_rad_s / (2.0 * math.pi) * wheel.buckets * wheel.bucket_m3
    gained_m_s = wheel.entry_m_s - rim_speed(wheel.diameter_m, speed_rad_s)
    return wheel.density_kg_m3 * taken * gained_m_s * wheel.diameter_m / 2.0


def bearing_torque(wheel: OvershotWheel, speed_rad_s: float) -> float:
    """Torque that bearings and drag take.

    T = T0 + c w^2

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].

    Returns:
        Torque against the motion [N m]; at rest, the most that the bearings hold.

    Limits:
        0 rad/s to the ceiling speed.

    Raises:
        PhysicsError: The speed is outside the limits.

    References:
        [1] Coulomb friction and quadratic drag; parameters from a pull test and a coast-down.
    """
    _require_speed(wheel, speed_rad_s)
    return wheel.bearing_nm + wheel.bearing_nm_s2 * speed_rad_s**2


def available_torque(wheel: OvershotWheel, speed_rad_s: float, flow_m3_s: float) -> float:
    """Torque that the wheel's shaft can give at a speed and a flow, in steady turning.

    T = T_weight + T_inflow - T_bearing

    In steady turning the load takes just this; it is the load's torque, not this curve, that makes efficiency.

    Args:
        wheel: The wheel [-].
        speed_rad_s: Speed w [rad/s].
        flow_m3_s: Flow Q onto the wheel [m3/s].

    Returns:
        Torque [N m]; negative where nothing but a drive could hold that speed.

    Limits:
        0 rad/s to the ceiling speed; 0 to 10 m3/s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Sum of `weight_torque`, `inflow_torque` and `bearing_torque`.
    """
    fill = bucket_fill(wheel, speed_rad_s, flow_m3_s)
    driving = weight_torque(wheel, speed_rad_s, fill) + inflow_torque(wheel, speed_rad_s, flow_m3_s)
    return driving - bearing_torque(wheel, speed_rad_s)


def _require_speed(wheel: OvershotWheel, speed_rad_s: float) -> None:
    require("speed_rad_s", speed_rad_s, 0.0, ceiling_speed(wheel.diameter_m, wheel.gravity_m_s2), "rad/s")
