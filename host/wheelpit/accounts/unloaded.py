"""What a wheel could give while a controller in series takes less than that: from its speed, and from what it gives.

The less of its power is taken, the faster a wheel turns at the same water. Speed and power together so tell the flow, by
plant.toml's wheel and alternator, and with it what the machine would give with nothing held back. How far that is off
this plant shows by itself each time a battery becomes full, and each time it is not any more: a moment before or after
all was taken, at the same water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.physics import alternator as machine
from wheelpit.plant.chain import RPM, Electric, chain_of, charging_v
from wheelpit.plant.description import NoConverter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wheelpit.plant.chain import Chain
    from wheelpit.plant.description import Plant

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_SHARES: Final = (0.0, 0.2, 0.4, 0.6, 0.75, 0.86, 0.94, 1.0)
_FLOWS: Final = 24
_BEYOND: Final = (0.35, 1.2)  # of the lowest and of the highest flow that plant.toml tells
_SPEEDS: Final = 160
_AT_ONCE: Final = 50_000
_LEAST_PAIRS: Final = 10
_LEAST_FOR_A_LINE: Final = 40
_LIKE: Final = 8.0  # pairs of one turn are as good as one
_ROUNDS: Final = 8
_NEAR: Final = 0.03  # in the logarithm: differences below count as squares
_MAD: Final = 1.4826
_MOST_OFF: Final = 0.5  # of a correction, in the logarithm
_UNTOLD_U: Final = 0.15  # of what follows from a plant.toml alone
_LEARNED_U: Final = 0.025  # of what was compared with the plant itself ...
_LEVEL_AWAY_U: Final = 0.12  # ... and per factor e in power beyond where it was ...
_DEPTH_AWAY_U: Final = 0.10  # ... and per whole that is not taken


@dataclass(frozen=True, slots=True)
class _Speeds:
    """Wheel speeds [rpm]: a row for each flow, a column for each of `_SHARES` of `could_w`, what it could give [W]."""

    could_w: Floats
    rpm: Floats


def could_give(plant: Plant, rpm: Floats, watts: Floats) -> Floats | None:
    """Return what a machine could give at the water that it has now [W].

    Args:
        plant: The plant.
        rpm: The wheel's speed [rpm].
        watts: What it gives [W].

    Returns:
        Powers, no less than what is given; None for a plant without a converter, where the battery's voltage, which
        nobody knows behind a controller that chops, would decide.

    """
    if isinstance(plant.converter, NoConverter):
        return None
    told = _speeds(plant)
    if told.could_w.size < 2:  # noqa: PLR2004 - nothing to read off between
        return None
    parts = [
        _read_off(told, rpm[at : at + _AT_ONCE], watts[at : at + _AT_ONCE])
        for at in range(0, rpm.size, _AT_ONCE)
    ]
    return np.concatenate([np.zeros(0), *parts])


@dataclass(frozen=True, slots=True)
class Turn:
    """What was seen as a battery became full, or ceased to be: a value for each pair of moments.

    Attributes:
        given_w: What was given while all was taken [W].
        model_w: What the model says could be given, a little later or earlier, while less was taken [W].
        kept_back: The share of that which was not taken.

    """

    given_w: Floats
    model_w: Floats
    kept_back: Floats


def corrected(could_w: Floats, watts: Floats, seen: Turn) -> tuple[Floats, Floats]:
    """Return powers as the plant itself corrects them [W], and their relative standard uncertainty.

    The correction is a line in the logarithm of the power and in the share that is not taken, by least absolute
    differences; beyond where the pairs lie it goes on as it is at their edge, ever less sure.

    Args:
        could_w: What the model says [W].
        watts: What was given [W].
        seen: What the plant showed.

    """
    count = seen.given_w.size
    if count < _LEAST_PAIRS:
        return could_w, np.full(could_w.size, _UNTOLD_U)
    level, off = np.log(seen.model_w), np.log(seen.given_w / seen.model_w)
    terms = np.stack((np.ones(count), level - level.mean(), seen.kept_back - seen.kept_back.mean()), axis=1)
    if count < _LEAST_FOR_A_LINE:
        terms = terms[:, :1]
    line = _least_absolute(terms, off)
    there, level_away = _within(np.log(np.maximum(could_w, 1e-3)), level)
    depth, depth_away = _within(1.0 - watts / np.maximum(could_w, 1e-3), seen.kept_back)
    told = np.stack((np.ones(there.size), there - level.mean(), depth - seen.kept_back.mean()), axis=1)
    scatter = _MAD * float(np.median(np.abs(off - terms @ line)))
    u = math.hypot(_LEARNED_U, scatter / math.sqrt(count / _LIKE))
    factor = np.exp(np.clip(told[:, : line.size] @ line, -_MOST_OFF, _MOST_OFF))
    return could_w * factor, u + _LEVEL_AWAY_U * level_away + _DEPTH_AWAY_U * depth_away


def _least_absolute(terms: Floats, values: Floats) -> Floats:
    """Return the factors of terms that come nearest to values, by least absolute differences."""
    weight: Floats = np.ones(values.size)
    factors: Floats = np.zeros(terms.shape[1])
    for _ in range(_ROUNDS):
        found = np.linalg.lstsq(terms * weight[:, None], values * weight, rcond=None)[0]
        factors = found.astype(np.float64)
        weight = 1.0 / np.sqrt(np.maximum(np.abs(values - terms @ factors), _NEAR))
    return factors


def _within(values: Floats, seen: Floats) -> tuple[Floats, Floats]:
    """Return values moved to where nearly all of those lie that were seen, and how far each was moved."""
    low, high = np.percentile(seen, (2, 98))
    moved = np.clip(values, low, high)
    return moved, np.abs(values - moved)


def _read_off(told: _Speeds, rpm: Floats, watts: Floats) -> Floats:
    """Return what could be given where the wheel turns so fast and gives so much, straight between the table's."""
    shares = np.array(_SHARES)
    # The speed at each flow when just so much is taken; a flow that could not give it is slower than any.
    at = np.array(
        [
            np.where(watts <= could, np.interp(watts, shares * could, speeds), -np.inf)
            for could, speeds in zip(told.could_w, told.rpm, strict=True)
        ]
    )
    at = np.maximum.accumulate(at, axis=0)
    place = np.minimum((at < rpm).sum(axis=0), told.could_w.size - 1)
    rows = np.arange(rpm.size)
    high_rpm, high_w = at[place, rows], told.could_w[place]
    low = np.maximum(place - 1, 0)
    low_rpm, low_w = at[low, rows], told.could_w[low]
    # Below the first flow that can give it: all of it is taken, and what it gives is what it could.
    alone = ~np.isfinite(low_rpm) | (place == 0)
    low_rpm = np.where(alone, np.interp(watts, told.could_w, told.rpm[:, -1]), low_rpm)
    low_w = np.where(alone, watts, low_w)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((rpm - low_rpm) / (high_rpm - low_rpm), 0.0, 1.0)
    found: Floats = np.maximum(low_w + np.nan_to_num(share) * (high_w - low_w), watts)
    return found


@lru_cache(maxsize=8)
def _speeds(plant: Plant) -> _Speeds:
    """Work out how fast the wheel turns at many flows when a share of what it could give is taken."""
    chain, volts = chain_of(plant), charging_v(plant)
    efficiency = getattr(plant.converter, "efficiency", 1.0)
    speeds = np.linspace(0.0, chain.ceiling_rad_s, _SPEEDS)
    drawn = [chain.electric(speed, volts) for speed in speeds.tolist()]
    loaded_nm = np.array(
        [chain.demanded_nm(speed, each) for speed, each in zip(speeds.tolist(), drawn, strict=True)]
    )
    loaded_w = np.array([chain.battery_w(each) for each in drawn])
    low, high = _BEYOND[0] * plant.water.lowest_flow_l_s, _BEYOND[1] * plant.water.highest_flow_l_s
    could_w: list[float] = []
    rpm: list[list[float]] = []
    for flow in np.geomspace(low, high, _FLOWS).tolist():
        wheel_nm = np.array([chain.available_nm(speed, flow / 1000) for speed in speeds.tolist()])
        settled = _last_crossing(speeds, wheel_nm - loaded_nm)
        most_w = float(np.interp(settled, speeds, loaded_w))
        if most_w <= 0 or (could_w and most_w <= could_w[-1]):
            continue
        could_w.append(most_w)
        rpm.append(
            [
                _last_crossing(speeds, wheel_nm - _taken_nm(chain, speeds, share * most_w / efficiency)) / RPM
                for share in _SHARES[:-1]
            ]
            + [settled / RPM]
        )
    return _Speeds(np.array(could_w), np.array(rpm))


def _taken_nm(chain: Chain, speeds: Floats, rectified_w: float) -> Floats:
    """Return the torque that a power behind the bridge demands at many speeds; infinite where it is not to be had."""
    found = np.full(speeds.size, math.inf)
    for place, speed in enumerate(speeds.tolist()):
        turning = chain.alternator_rad_s(speed)
        source_v = max(0.0, machine.conducting_voltage(chain.alternator, turning, 0.0))
        ohm = machine.source_ohm(chain.alternator, turning)
        # The smaller current: the other one would heat the windings.
        under_root = source_v * source_v - 4.0 * ohm * rectified_w
        if under_root >= 0.0 and (rectified_w == 0.0 or source_v > 0.0):
            amps = 2.0 * rectified_w / (source_v + math.sqrt(under_root)) if rectified_w else 0.0
            found[place] = chain.demanded_nm(speed, Electric(source_v - ohm * amps, amps))
    return found


def _last_crossing(speeds: Floats, surplus_nm: Floats) -> float:
    """Return the fastest speed that a surplus of torque reaches [rad/s]; 0 if there is none."""
    over = np.flatnonzero(surplus_nm > 0)
    if not over.size:
        return 0.0
    last = int(over[-1])
    if last + 1 == speeds.size or not math.isfinite(surplus_nm[last + 1]):
        return float(speeds[last])
    share = surplus_nm[last] / (surplus_nm[last] - surplus_nm[last + 1])
    return float(speeds[last] + share * (speeds[last + 1] - speeds[last]))
