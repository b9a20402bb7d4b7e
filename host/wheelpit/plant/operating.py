"""Where the whole chain settles at a flow, where it begins and ceases to charge, and where it runs away to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.physics import water, wheel
from wheelpit.plant.chain import RPM, Chain, Electric, chain_of, charging_v, local_water
from wheelpit.plant.description import FixedConverter

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant.description import Plant

# Steps of speed, between rest and the ceiling, in which a change of sign is looked for: fine where a converter may
# have two points close together, coarse for a wheel without load, whose torque only falls.
_FINE: Final = 400
_COARSE: Final = 50
_HALVINGS: Final = 50
_JUMP_NM: Final = 1e-3  # a torque that does not vanish at a change of sign is a jump: nothing settles there


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """A speed at which the wheel turns steadily, and the powers of each stage there.

    `state` is "charging", or "idle" where the wheel turns too slowly to charge. `start_above_rpm` is set for
    a converter of fixed output that must not be switched on below that speed: there it stalls the wheel.
    `pull_out_margin` is the largest torque at this flow over the demanded one, `cut_out_margin` the speed
    over the cut-out speed; the second runs out first.
    """

    state: Literal["charging", "idle"]
    flow_l_s: float
    water_w: float
    wheel_rpm: float
    rim_m_s: float
    alternator_rpm: float
    fill: float
    rectified_v: float
    rectified_a: float
    wheel_w: float
    bearing_w: float
    shaft_w: float
    belt_w: float
    alternator_w: float
    iron_w: float
    copper_w: float
    diode_w: float
    rectified_w: float
    converter_w: float
    battery_w: float
    battery_a: float
    efficiency: float
    pull_out_margin: float
    cut_out_margin: float
    start_above_rpm: float | None


@dataclass(frozen=True, slots=True)
class Unsteady:
    """A flow at which nothing settles.

    "stalled": the water does not overcome friction. "hunts": a converter of fixed output takes more than the
    wheel can give, slows it to `drop_out_rpm`, drops out, and begins again.
    """

    state: Literal["stalled", "hunts"]
    flow_l_s: float
    water_w: float
    drop_out_rpm: float | None = None


@dataclass(frozen=True, slots=True)
class Runaway:
    """Where the wheel runs to at a flow when its load is lost.

    `mean_v` is what a slow meter shows while a trace of current flows, `open_v` what the capacitor charges
    to; `belt_lost_rpm` is the wheel's speed without its belt.
    """

    flow_l_s: float
    wheel_rpm: float
    mean_v: float
    open_v: float
    belt_lost_rpm: float


@dataclass(frozen=True, slots=True)
class _Crossing:
    speed: float
    stable: bool
    jump: bool


def ceiling_rpm(plant: Plant) -> float:
    """Return the speed at which no bucket holds water at the top [rpm]."""
    return chain_of(plant).ceiling_rad_s / RPM


def cutin_rpm(plant: Plant) -> float:
    """Return the wheel speed at which the converter starts as the wheel speeds up [rpm].

    No current flows yet, so the capacitor is charged to the peak, 1.414 V_LL.
    """
    chain = chain_of(plant)
    return chain.wheel_of_open_v(chain.start_v) / RPM


def cutout_rpm(plant: Plant) -> float:
    """Return the wheel speed below which the converter surely stops as the wheel slows down [rpm]."""
    chain = chain_of(plant)
    return chain.wheel_of_open_v(chain.stop_v) / RPM


@lru_cache(maxsize=128)
def operating_point(
    plant: Plant, flow_l_s: float, battery_v: float | None = None
) -> OperatingPoint | Unsteady:
    """Return where the chain settles at a flow.

    Args:
        plant: The plant.
        flow_l_s: Flow onto the wheel [L/s].
        battery_v: Battery voltage; the usual one of a bank being charged where it is not given [V].

    Returns:
        The point, or why there is none.

    Raises:
        PhysicsError: A value is outside the limits of a formula.
    """
    chain = chain_of(plant)
    volts = charging_v(plant) if battery_v is None else battery_v
    flow = flow_l_s / 1000.0
    density, gravity = local_water(plant)
    water_w = water.hydraulic_power(flow, plant.water.head_m, density, gravity)

    def surplus(speed: float) -> float:
        return chain.available_nm(speed, flow) - chain.demanded_nm(speed, chain.electric(speed, volts))

    crossings = _crossings(surplus, chain.ceiling_rad_s, _FINE)
    settled = [c for c in crossings if c.stable and not c.jump]
    if not settled:
        if not crossings:
            return Unsteady("stalled", flow_l_s, water_w)
        return Unsteady("hunts", flow_l_s, water_w, crossings[0].speed / RPM)
    # From rest the wheel runs up to the first; a jump below it is where a converter of fixed output drops out.
    point = settled[0]
    fixed = isinstance(chain.converter, FixedConverter)
    tipping = [c.speed / RPM for c in crossings if not c.stable and c.speed < point.speed]
    start_above = max(tipping) if fixed and tipping and max(tipping) > cutin_rpm(plant) else None
    return _point(chain, flow_l_s, water_w, point.speed, volts, start_above)


@lru_cache(maxsize=128)
def runaway(plant: Plant, flow_l_s: float) -> Runaway:
    """Return where the wheel runs to at a flow when its load is lost, and when its belt is.

    Args:
        plant: The plant.
        flow_l_s: Flow onto the wheel [L/s].

    Returns:
        Speeds and voltages; all 0 where the water does not even overcome friction.

    Raises:
        PhysicsError: A value is outside the limits of a formula.
    """
    chain = chain_of(plant)
    flow = flow_l_s / 1000.0
    none = Electric(0.0, 0.0)
    speed = _last(lambda w: chain.available_nm(w, flow) - chain.demanded_nm(w, none), chain.ceiling_rad_s)
    bare = _last(lambda w: chain.available_nm(w, flow), chain.ceiling_rad_s)
    turning = chain.alternator_rad_s(speed)
    mean_v = chain.alternator.mean_v_s_rad * turning - 2.0 * chain.alternator.diode_v
    return Runaway(flow_l_s, speed / RPM, max(0.0, mean_v), chain.open_v(speed), bare / RPM)


def _point(  # noqa: PLR0917 - what `operating_point` has worked out already
    chain: Chain, flow_l_s: float, water_w: float, speed: float, volts: float, start_above_rpm: float | None
) -> OperatingPoint:
    flow = flow_l_s / 1000.0
    drawn = chain.electric(speed, volts)
    demanded = chain.demanded_nm(speed, drawn)
    turning = chain.alternator_rad_s(speed)
    bearing_w = wheel.bearing_torque(chain.wheel, speed) * speed
    shaft_w = demanded * speed
    iron_w = chain.alternator.iron_nm * turning
    copper_w = 2.0 * chain.alternator.resistance_ohm * drawn.rectified_a**2
    diode_w = 2.0 * chain.alternator.diode_v * drawn.rectified_a
    rectified_w = drawn.rectified_v * drawn.rectified_a
    alternator_w = rectified_w + iron_w + copper_w + diode_w
    battery_w = chain.battery_w(drawn)
    largest = max(chain.available_nm(chain.ceiling_rad_s * (k / _COARSE), flow) for k in range(_COARSE))
    return OperatingPoint(
        state="charging" if drawn.rectified_a > 0.0 else "idle",
        flow_l_s=flow_l_s,
        water_w=water_w,
        wheel_rpm=speed / RPM,
        rim_m_s=wheel.rim_speed(chain.wheel.diameter_m, speed),
        alternator_rpm=turning / RPM,
        fill=wheel.bucket_fill(chain.wheel, speed, flow),
        rectified_v=drawn.rectified_v,
        rectified_a=drawn.rectified_a,
        wheel_w=shaft_w + bearing_w,
        bearing_w=bearing_w,
        shaft_w=shaft_w,
        belt_w=shaft_w - alternator_w,
        alternator_w=alternator_w,
        iron_w=iron_w,
        copper_w=copper_w,
        diode_w=diode_w,
        rectified_w=rectified_w,
        converter_w=rectified_w - battery_w,
        battery_w=battery_w,
        battery_a=battery_w / volts,
        efficiency=battery_w / water_w,
        pull_out_margin=largest / demanded,
        cut_out_margin=speed / chain.wheel_of_open_v(chain.stop_v),
        start_above_rpm=start_above_rpm,
    )


def _crossings(surplus: Callable[[float], float], ceiling: float, steps: int) -> list[_Crossing]:
    """Return where a surplus of torque changes its sign between rest and the ceiling, slowest first."""
    speeds = [ceiling * (k / steps) for k in range(steps + 1)]
    values = [surplus(speed) for speed in speeds]
    found: list[_Crossing] = []
    for (low, at_low), (high, at_high) in pairwise(zip(speeds, values, strict=True)):
        if (at_low > 0.0) == (at_high > 0.0):
            continue
        rising = at_low > 0.0
        a, b = low, high
        for _ in range(_HALVINGS):
            middle = 0.5 * (a + b)
            if (surplus(middle) > 0.0) == rising:
                a = middle
            else:
                b = middle
        jump = abs(surplus(a) - surplus(b)) > _JUMP_NM
        found.append(_Crossing(0.5 * (a + b), rising, jump))
    return found


def _last(surplus: Callable[[float], float], ceiling: float) -> float:
    """Return the fastest speed that a surplus of torque reaches: 0 if there is none, else up to the ceiling."""
    stable = [c.speed for c in _crossings(surplus, ceiling, _COARSE) if c.stable]
    if surplus(ceiling) > 0.0:
        return ceiling
    return stable[-1] if stable else 0.0
