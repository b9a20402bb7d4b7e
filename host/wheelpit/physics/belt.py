"""The drive from the wheel to the alternator: ratio, slip and what it loses."""

from __future__ import annotations

import math

from wheelpit.physics.errors import require


def pitch_ratio(drum_diameter_m: float, pulley_diameter_m: float, belt_mm: float = 0.0) -> float:
    """Speed ratio of a drive by its pitch diameters; a flat belt bends about its middle.

    i = (D + b) / (d + b)

    Args:
        drum_diameter_m: Diameter D of the driving drum [m].
        pulley_diameter_m: Diameter d of the driven pulley [m].
        belt_mm: Thickness b of a flat belt; 0 where the diameters are pitch diameters already [mm].

    Returns:
        Turns of the pulley per turn of the drum, without slip [-].

    Limits:
        Drum 0.05 to 20 m, pulley 0.01 to 3 m, belt 0 to 30 mm.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Kinematics of an inextensible belt; its neutral layer is taken half-way through its thickness.
    """
    require("drum_diameter_m", drum_diameter_m, 0.05, 20.0, "m")
    require("pulley_diameter_m", pulley_diameter_m, 0.01, 3.0, "m")
    require("belt_mm", belt_mm, 0.0, 30.0, "mm")
    thickness_m = belt_mm / 1000.0
    return (drum_diameter_m + thickness_m) / (pulley_diameter_m + thickness_m)


def driven_speed(driving_rad_s: float, ratio: float, slip: float = 0.0) -> float:
    """Speed of the driven shaft.

    w2 = w1 i (1 - s)

    Args:
        driving_rad_s: Speed w1 of the driving shaft [rad/s].
        ratio: Pitch ratio i [-].
        slip: Slip or creep s, share of speed lost [-].

    Returns:
        Speed w2 [rad/s].

    Limits:
        0 to 1000 rad/s; ratio 0.05 to 200; slip 0 to 1.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Definition of slip.
    """
    require("driving_rad_s", driving_rad_s, 0.0, 1000.0, "rad/s")
    require("ratio", ratio, 0.05, 200.0)
    require("slip", slip, 0.0, 1.0)
    return driving_rad_s * ratio * (1.0 - slip)


def slip_of(driving_rpm: float, driven_rpm: float, ratio: float) -> float:
    """Slip from two measured speeds.

    s = 1 - n2 / (n1 i)

    Args:
        driving_rpm: Speed n1 of the driving shaft [rpm].
        driven_rpm: Speed n2 of the driven shaft [rpm].
        ratio: Pitch ratio i, best learned at light load [-].

    Returns:
        Slip s [-]; slightly negative where the ratio is known less well than the slip is small.

    Limits:
        Driving speed 0.1 to 10 000 rpm, driven 0 to 100 000 rpm, ratio 0.05 to 200.

    Raises:
        PhysicsError: A value is outside the limits; standing still there is no slip.

    References:
        [1] Definition of slip.
    """
    require("driving_rpm", driving_rpm, 0.1, 10_000.0, "rpm")
    require("driven_rpm", driven_rpm, 0.0, 100_000.0, "rpm")
    require("ratio", ratio, 0.05, 200.0)
    return 1.0 - driven_rpm / (driving_rpm * ratio)


def delivered_torque(driving_nm: float, ratio: float, loss_nm: float, loss_per_nm: float) -> float:
    """Torque that arrives at the driven shaft.

    T2 = T1 / i - T_loss, T_loss = a + b T1 / i

    Args:
        driving_nm: Torque T1 at the driving shaft [N m].
        ratio: Pitch ratio i [-].
        loss_nm: Torque a lost at the pulley whatever the load [N m].
        loss_per_nm: Share b of the pulley's torque that is lost [-].

    Returns:
        Torque T2 [N m]; negative where the drive does not even carry its own loss.

    Limits:
        Torque 0 to 1e6 N m; ratio 0.05 to 200; loss 0 to 200 N m and 0 to 0.5.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Straight-line loss of a belt drive; parameters from a pull test with and without load.
    """
    require("driving_nm", driving_nm, 0.0, 1e6, "N m")
    _require_loss(ratio, loss_nm, loss_per_nm)
    arriving = driving_nm / ratio
    return arriving - loss_nm - loss_per_nm * arriving


def driving_torque(driven_nm: float, ratio: float, loss_nm: float, loss_per_nm: float) -> float:
    """Torque at the driving shaft that brings a torque to the driven one.

    T1 = i (T2 + a) / (1 - b)

    Args:
        driven_nm: Torque T2 at the driven shaft [N m].
        ratio: Pitch ratio i [-].
        loss_nm: Torque a lost at the pulley whatever the load [N m].
        loss_per_nm: Share b of the pulley's torque that is lost [-].

    Returns:
        Torque T1 [N m].

    Limits:
        Torque 0 to 1e6 N m; ratio 0.05 to 200; loss 0 to 200 N m and 0 to 0.5.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] The inverse of `delivered_torque`.
    """
    require("driven_nm", driven_nm, 0.0, 1e6, "N m")
    _require_loss(ratio, loss_nm, loss_per_nm)
    return ratio * (driven_nm + loss_nm) / (1.0 - loss_per_nm)


def drive_efficiency(driving_nm: float, driven_nm: float, driving_rpm: float, driven_rpm: float) -> float:
    """Efficiency of a drive: torque ratio times speed ratio.

    eta = (T2 / T1) (n2 / n1) = (1 - torque loss)(1 - slip)

    Args:
        driving_nm: Torque T1 at the driving shaft [N m].
        driven_nm: Torque T2 at the driven shaft [N m].
        driving_rpm: Speed n1 of the driving shaft [rpm].
        driven_rpm: Speed n2 of the driven shaft [rpm].

    Returns:
        Efficiency [-].

    Limits:
        Driving torque 1e-6 to 1e6 N m and speed 0.001 to 10 000 rpm; the driven power not above the driving.

    Raises:
        PhysicsError: A value is outside the limits; more power out than in points to a wrong reading.

    References:
        [1] Ratio of the powers T w of the two shafts.
    """
    require("driving_nm", driving_nm, 1e-6, 1e6, "N m")
    require("driving_rpm", driving_rpm, 0.001, 10_000.0, "rpm")
    require("driven_nm", driven_nm, 0.0, 1e6, "N m")
    require("driven_rpm", driven_rpm, 0.0, 100_000.0, "rpm")
    efficiency = driven_nm * driven_rpm / (driving_nm * driving_rpm)
    require("drive efficiency", efficiency, 0.0, math.nextafter(1.0, 2.0) + 1e-9)
    return efficiency


def _require_loss(ratio: float, loss_nm: float, loss_per_nm: float) -> None:
    require("ratio", ratio, 0.05, 200.0)
    require("loss_nm", loss_nm, 0.0, 200.0, "N m")
    require("loss_per_nm", loss_per_nm, 0.0, 0.5)
