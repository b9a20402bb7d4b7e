"""Bench tests with a spring balance, a tape measure and a watch.

The torque that matters for efficiency is what the load demands at a speed, not what the wheel could give: in
steady turning the two balance, and the surplus is margin, not input.
"""

from __future__ import annotations

import math

from wheelpit.physics.errors import require


def pull_torque(pull_n: float, radius_m: float) -> float:
    """Torque of a pull at a radius, square to it.

    T = F r

    Args:
        pull_n: Pull F, just turning, at walking pace; cogging and belt bending are in it [N].
        radius_m: Radius r at which it pulls [m].

    Returns:
        Torque [N m].

    Limits:
        0 to 100 000 N; 0.001 to 20 m.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Definition of torque.
    """
    require("pull_n", pull_n, 0.0, 1e5, "N")
    require("radius_m", radius_m, 0.001, 20.0, "m")
    return pull_n * radius_m


def turns_per_second(turns: float, seconds: float) -> float:
    """Speed from counted turns.

    n = N / t

    Args:
        turns: Turns N counted [-].
        seconds: Time t they took [s].

    Returns:
        Speed [turns/s].

    Limits:
        More than 0 to 100 000 turns in 0.1 to 86 400 s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Definition of frequency.
    """
    require("turns", turns, 1e-6, 1e5)
    require("seconds", seconds, 0.1, 86_400.0, "s")
    return turns / seconds


def angular_speed(per_second: float) -> float:
    """Angular speed from turns a second.

    w = 2 pi n

    Args:
        per_second: Speed n [turns/s].

    Returns:
        Angular speed [rad/s].

    Limits:
        0 to 10 000 turns/s.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] Definition of the radian.
    """
    require("per_second", per_second, 0.0, 1e4, "turns/s")
    return 2.0 * math.pi * per_second


def torque_through_ratio(driven_nm: float, ratio: float) -> float:
    """Torque at the slow shaft of a drive without loss: the theory that a measured pull is held against.

    T1 = i T2

    Args:
        driven_nm: Torque T2 at the fast shaft [N m].
        ratio: Turns i of the fast shaft per turn of the slow one [-].

    Returns:
        Torque T1 [N m].

    Limits:
        0 to 1e6 N m; ratio 0.05 to 200.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Conservation of energy.
    """
    require("driven_nm", driven_nm, 0.0, 1e6, "N m")
    require("ratio", ratio, 0.05, 200.0)
    return ratio * driven_nm


def excess_torque(measured_nm: float, theory_nm: float) -> float:
    """How much more torque a drive takes than theory says, as a share of theory.

    e = T / T0 - 1

    Args:
        measured_nm: Torque T measured at the slow shaft [N m].
        theory_nm: Torque T0 that it would take without loss [N m].

    Returns:
        Share of theory [-]. It is not the loss: see `drive_loss`.

    Limits:
        Theory above 0 to 1e6 N m; measured from theory to 1e6 N m: less would make energy from nothing.

    Raises:
        PhysicsError: A value is outside the limits; a radius or a reading is wrong.

    References:
        [1] Definition; common practice, no source.
    """
    _require_torques(measured_nm, theory_nm)
    return measured_nm / theory_nm - 1.0


def drive_loss(measured_nm: float, theory_nm: float) -> float:
    """Share of what goes into a drive that it loses; the efficiency is one less this.

    l = 1 - T0 / T

    Args:
        measured_nm: Torque T measured at the slow shaft: what goes in [N m].
        theory_nm: Torque T0 that it would take without loss: what arrives [N m].

    Returns:
        Share of what goes in [-], at equal speed ratio.

    Limits:
        Theory above 0 to 1e6 N m; measured from theory to 1e6 N m: less would make energy from nothing.

    Raises:
        PhysicsError: A value is outside the limits; a radius or a reading is wrong.

    References:
        [1] Definition of loss; common practice, no source.
    """
    _require_torques(measured_nm, theory_nm)
    return 1.0 - theory_nm / measured_nm


def torque_per_ampere(loaded_nm: float, unloaded_nm: float, direct_a: float) -> float:
    """Torque per direct ampere of an alternator with its bridge.

    k = (T_loaded - T_unloaded) / I

    Args:
        loaded_nm: Torque at the alternator's shaft with the current flowing [N m].
        unloaded_nm: Torque there without current: iron, cogging and bearings [N m].
        direct_a: Direct current I [A].

    Returns:
        Torque per ampere [N m/A]; the same number as mean volts per rad/s without load.

    Limits:
        Unloaded 0 to 1e5 N m, loaded from there to 1e5 N m; 0.01 to 10 000 A.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Conservation of energy in the air gap: E I = T w.
    """
    require("unloaded_nm", unloaded_nm, 0.0, 1e5, "N m")
    require("loaded_nm", loaded_nm, unloaded_nm, 1e5, "N m")
    require("direct_a", direct_a, 0.01, 1e4, "A")
    return (loaded_nm - unloaded_nm) / direct_a


def constants_differ(volts_per_rad_s: float, nm_per_ampere: float) -> float:
    """How far the two ways to an alternator's constant lie apart: a free check of both bench tests.

    d = |k_t - k_e| / k_e

    Args:
        volts_per_rad_s: No-load mean direct volts per rad/s, k_e [V s/rad].
        nm_per_ampere: Torque per direct ampere, k_t [N m/A].

    Returns:
        Share of k_e [-]; above 0.10 a radius, a reading or the pole count is wrong.

    Limits:
        Both 0.001 to 50; before iron and overlap.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Conservation of energy in the air gap: E I = T w.
    """
    require("volts_per_rad_s", volts_per_rad_s, 0.001, 50.0, "V s/rad")
    require("nm_per_ampere", nm_per_ampere, 0.001, 50.0, "N m/A")
    return abs(nm_per_ampere - volts_per_rad_s) / volts_per_rad_s


def coast_down_torque(inertia_kg_m2: float, from_rad_s: float, to_rad_s: float, seconds: float) -> float:
    """Mean torque that slows a wheel that runs down by itself: water off, no load, buckets empty.

    T = J (w1 - w2) / t

    Args:
        inertia_kg_m2: Moment of inertia J with all that turns, seen from the wheel [kg m2].
        from_rad_s: The upper speed w1 [rad/s].
        to_rad_s: The lower speed w2 [rad/s].
        seconds: Time t from the one to the other [s].

    Returns:
        Mean torque over that time [N m].

    Limits:
        0.1 to 1e7 kg m2; speeds to 100 rad/s, the lower one 0 or more and less than the upper; 0.1 to 86 400 s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Angular momentum: the mean torque is its loss over the time.
    """
    require("inertia_kg_m2", inertia_kg_m2, 0.1, 1e7, "kg m2")
    _require_run_down(from_rad_s, to_rad_s, seconds)
    return inertia_kg_m2 * (from_rad_s - to_rad_s) / seconds


def coast_down_inertia(torque_nm: float, from_rad_s: float, to_rad_s: float, seconds: float) -> float:
    """Moment of inertia of a wheel that a known mean torque slows: `coast_down_torque` turned round.

    J = T t / (w1 - w2)

    Args:
        torque_nm: Mean torque T against the motion, with belt and alternator if they turned [N m].
        from_rad_s: The upper speed w1 [rad/s].
        to_rad_s: The lower speed w2 [rad/s].
        seconds: Time t from the one to the other [s].

    Returns:
        Moment of inertia with all that turns, seen from the wheel [kg m2].

    Limits:
        Torque above 0 to 1e6 N m; speeds and time as in `coast_down_torque`.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Angular momentum, as in `coast_down_torque`.
    """
    require("torque_nm", torque_nm, 1e-6, 1e6, "N m")
    _require_run_down(from_rad_s, to_rad_s, seconds)
    return torque_nm * seconds / (from_rad_s - to_rad_s)


def _require_run_down(from_rad_s: float, to_rad_s: float, seconds: float) -> None:
    require("from_rad_s", from_rad_s, 1e-3, 100.0, "rad/s")
    require("to_rad_s", to_rad_s, 0.0, from_rad_s * (1 - 1e-9), "rad/s")
    require("seconds", seconds, 0.1, 86_400.0, "s")


def _require_torques(measured_nm: float, theory_nm: float) -> None:
    require("theory_nm", theory_nm, 1e-6, 1e6, "N m")
    require("measured_nm", measured_nm, theory_nm, 1e6, "N m")
