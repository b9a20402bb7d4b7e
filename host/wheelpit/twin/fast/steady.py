"""Where the chain from wheel to battery settles at a flow, as a table that whole arrays are looked up in.

The table is built over the wheel's speed: at each speed the bridge and converter of the dynamic twin are brought to
rest, what they demand gives the fill of the buckets, and the fill gives the flow. So both twins share one machine;
what is missing here is how it gets from one steady state to the next, a matter of seconds.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.physics import wheel as formulas
from wheelpit.plant.chain import RPM, chain_of, charging_v
from wheelpit.plant.description import FoldBackConverter
from wheelpit.twin.bus import BusModel
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.chain import Chain
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.fast.columns import Floats

_SPEEDS: Final = 240  # from rest to the ceiling
_HALVINGS: Final = 40
_SETTLE_S: Final = 10.0  # an implicit step far longer than the capacitor's milliseconds
_SETTLE_STEPS: Final = 12
_SETTLED_V: Final = 1e-6
_TAKES_NOTHING: Final = 1e-9  # slope of a converter that is dead [A/V]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ailment:
    """How a chain differs from a healthy one.

    Args:
        slip: Share of the alternator's speed that the belt loses beside its creep.
        drag_nm: Further friction at the wheel's shaft [N m].
        takes: What the converter takes, as a share of its usual current; 0 where it is dead or cut off.
        belt_on: Whether the belt is on.
    """

    slip: float = 0.0
    drag_nm: float = 0.0
    takes: float = 1.0
    belt_on: bool = True


HEALTHY: Final = Ailment()


@dataclass(frozen=True, slots=True)
class SteadyChain:
    """The steady states of one chain, by rising flow onto the wheel.

    Columns: flow [m³/s], wheel speed [rad/s], bucket fill, fall of the water on the wheel [m], voltage [V] and
    current [A] behind the bridge. Above the last flow the buckets are full and the rest runs over.
    """

    plant: Plant
    ailment: Ailment
    gear: float
    flow_m3_s: Floats
    speed_rad_s: Floats
    fill: Floats
    fall_m: Floats
    rectified_v: Floats
    rectified_a: Floats

    def flow_at_rpm(self, rpm: float) -> float:
        """Return the flow at which the wheel turns at a speed [m³/s]."""
        return float(np.interp(rpm * RPM, self.speed_rad_s, self.flow_m3_s))


def check_modelled(plant: Plant) -> FoldBackConverter:
    """Return the plant's converter if the fast twin has a model of it; raise `UnmodelledError` otherwise."""
    if not isinstance(plant.converter, FoldBackConverter):
        problem = (
            f'converter.kind = "{plant.converter.kind}": the fast twin looks up steady states, and only those of '
            'a "fold-back" converter are always there; run this plant on the dynamic twin'
        )
        raise UnmodelledError([problem])
    return plant.converter


@lru_cache(maxsize=64)
def steady_chain(plant: Plant, assumptions: Assumptions, ailment: Ailment = HEALTHY) -> SteadyChain:
    """Build the table of a plant's steady states.

    Args:
        plant: The plant; its converter must be a fold-back one.
        assumptions: The twin's own figures.
        ailment: What is wrong with it.

    The battery is at its usual charging voltage: a fold-back converter asks for it only at its output limit.

    Raises:
        UnmodelledError: The plant has a converter of another kind.
    """
    converter = check_modelled(plant)
    slope = converter.a_per_v * ailment.takes or _TAKES_NOTHING
    told = dataclasses.replace(plant, converter=dataclasses.replace(converter, a_per_v=slope))
    chain = chain_of(told)
    gear = chain.ratio * (1 - chain.creep) * (1 - ailment.slip)
    bus = BusModel(told, chain.alternator, assumptions)
    battery_v = charging_v(plant)
    rows: list[tuple[float, ...]] = [(0.0,) * 6]
    for number in range(1, _SPEEDS + 1):
        speed = chain.ceiling_rad_s * number / _SPEEDS
        volts, amps, electric_nm = 0.0, 0.0, 0.0
        drum_nm = 0.0
        if ailment.belt_on:
            volts, amps, electric_nm = _electric(bus, speed * gear, battery_v)
            drum_nm = chain.driving_nm(electric_nm + chain.alternator.iron_nm)
        demanded_nm = drum_nm + formulas.bearing_torque(chain.wheel, speed) + ailment.drag_nm
        fill = _fill_for(chain, speed, demanded_nm)
        if fill is None:
            break  # no flow turns the wheel so fast
        flow = _caught_m3_s(chain, speed, fill) / formulas.capture(chain.wheel, speed)
        if flow > rows[-1][0]:
            rows.append((flow, speed, fill, _fall_m(chain, speed, fill), volts, amps))
    flow, speeds, fills, falls, rectified_v, rectified_a = np.array(rows).T
    fills[0], falls[0] = fills[1], falls[1]
    return SteadyChain(
        plant, ailment, gear if ailment.belt_on else 0.0, flow, speeds, fills, falls, rectified_v, rectified_a
    )


def _electric(bus: BusModel, alternator_rad_s: float, battery_v: float) -> tuple[float, float, float]:
    """Return voltage [V], current [A] and torque [N m] of the rectified side, come to rest at a speed."""
    torque_nm = 0.0
    before = math.inf
    for _ in range(_SETTLE_STEPS):
        torque_nm = bus.advance(_SETTLE_S, alternator_rad_s, battery_v)
        if abs(bus.rectified_v - before) < _SETTLED_V:
            break
        before = bus.rectified_v
    return bus.rectified_v, bus.rectified_a, torque_nm


def _caught_m3_s(chain: Chain, speed: float, fill: float) -> float:
    return fill * speed / (2 * math.pi) * chain.wheel.buckets * chain.wheel.bucket_m3


def _fill_for(chain: Chain, speed: float, demanded_nm: float) -> float | None:
    """Return the least fill whose torque carries what is demanded; None where no fill does."""
    wheel = chain.wheel

    def surplus(fill: float) -> float:
        caught_kg_s = wheel.density_kg_m3 * _caught_m3_s(chain, speed, fill)
        gained_m_s = wheel.entry_m_s - formulas.rim_speed(wheel.diameter_m, speed)
        inflow_nm = caught_kg_s * gained_m_s * wheel.diameter_m / 2
        return formulas.weight_torque(wheel, speed, fill) + inflow_nm - demanded_nm

    low, high = 0.0, wheel.largest_fill
    if surplus(high) < 0 or formulas.capture(wheel, speed) <= 0:
        return None
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if surplus(middle) < 0:
            low = middle
        else:
            high = middle
    return high


def _fall_m(chain: Chain, speed: float, fill: float) -> float:
    """Return how far the water falls on the wheel [m]: its work per weight."""
    wheel = chain.wheel
    caught = _caught_m3_s(chain, speed, fill)
    return (
        formulas.weight_torque(wheel, speed, fill)
        * speed
        / (wheel.density_kg_m3 * wheel.gravity_m_s2 * caught)
    )
