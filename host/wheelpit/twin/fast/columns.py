"""Arrays over time: slow wander, switches with hysteresis, seeded chance."""

from __future__ import annotations

import math
import zlib
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from numpy.random import Generator

Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]
Whole: TypeAlias = NDArray[np.int64]

# Of a decay within one block of `wander`; a longer block would divide by so little that the sum loses its digits.
_MOST_DECADES: Final = 6.0
_LONGEST_BLOCK: Final = 1024
_APART: Final = 1e5  # between stretches without load, in logarithms of volts
_LEAST_V: Final = 1e-3
_MOST_LN_V: Final = 10.0


def chance(seed: int, purpose: str, number: int = 0) -> Generator:
    """Return the random numbers of one purpose: the same for the same seed, whatever else is drawn."""
    return np.random.default_rng([abs(seed), zlib.crc32(purpose.encode()), number])


def wander(rng: Generator, count: int, *, step_s: float, time_s: float, start: float) -> Floats:
    """Return a wander of mean 0 and standard deviation 1 that forgets itself with a time constant.

    An Ornstein-Uhlenbeck process in its exact discrete form: x' = a x + sqrt(1 - a^2) e, a = exp(-step / time). It
    is summed block by block, so that whole arrays do the work.

    Args:
        rng: Where chance comes from.
        count: How many steps.
        step_s: Length of a step [s].
        time_s: Time constant [s].
        start: Value before the first step.
    """
    decay = math.exp(-step_s / time_s)
    block = max(1, min(_LONGEST_BLOCK, int(_MOST_DECADES * math.log(10) * time_s / step_s)))
    blocks = -(-count // block)
    kicks = rng.standard_normal((blocks, block)) * math.sqrt(1 - decay * decay)
    weight = decay ** np.arange(1, block + 1)
    alone = np.cumsum(kicks / weight, axis=1) * weight
    carried = np.empty(blocks)
    value = start
    for number, last in enumerate(alone[:, -1].tolist()):
        carried[number] = value
        value = value * weight[-1] + last
    whole: Floats = (alone + carried[:, None] * weight).ravel()
    return whole[:count]


def switched(on: Flags, off: Flags, *, at_first: bool) -> Flags:
    """Return a switch that goes on where `on` is true and off where `off` is, and else stays as it was.

    Args:
        on: Where it goes on; wins over `off`.
        off: Where it goes off.
        at_first: How it stood before the first step.
    """
    number = np.arange(on.size)
    changed = np.maximum.accumulate(np.where(on | off, number, -1))
    return np.where(changed >= 0, on[np.maximum(changed, 0)], at_first)


def held_while_idle(volts: Floats, loaded: Flags, *, step_s: float, time_s: float, before: float) -> Floats:
    """Return the voltage of a capacitor that, where nothing is drawn, falls from its highest only slowly.

    Args:
        volts: What charges it [V].
        loaded: Where a current is drawn: there it is at that voltage.
        step_s: Length of a step [s].
        time_s: Time constant with which it discharges by itself [s].
        before: Its voltage before the first step [V].
    """
    if loaded.all():
        return volts
    fallen = np.arange(1, volts.size + 1) * (step_s / time_s)
    # In logarithms the fall is a straight line, and the highest so far a running maximum, begun anew at each load.
    anew = np.cumsum(loaded) * _APART
    height = np.log(np.maximum(volts, _LEAST_V)) + fallen + anew
    first = math.log(max(before, _LEAST_V))
    highest = np.maximum(np.maximum.accumulate(height), first) - anew
    return np.where(loaded, volts, np.exp(np.minimum(highest - fallen, _MOST_LN_V)))
