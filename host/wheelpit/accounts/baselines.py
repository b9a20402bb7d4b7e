"""What a plant usually gives: power against speed and against flow by the method of bins, and its learned constants.

Everything is learned from good rows only: turning, charging and measured all the time, free of frost, and so are their
neighbours. A logged change of ratio, converter, alternator or sensor begins a new baseline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.figure import Figure
from wheelpit.accounts.tenminutes import STEP_MS
from wheelpit.accounts.water import flow_of_stage, wheel_rating
from wheelpit.physics.binning import bin_means
from wheelpit.plant.chain import ratio_of

if TYPE_CHECKING:
    from wheelpit.accounts.tenminutes import Flags, Floats, TenMinutes
    from wheelpit.plant.description import Plant

LEAST_IN_BIN: Final = 3  # ten-minute means, as half an hour of data is asked of a bin by IEC 61400-12-1
_BINS: Final = 24
_WHOLE_MS: Final = round(0.99 * STEP_MS)
_ALMOST: Final = 0.95
_FROST_WATER_DEGC: Final = 1.0
_FROST_ROOM_DEGC: Final = 4.0  # where no thermometer stands in the water, the battery's tells of a frost
_LIGHT_SHARE: Final = 0.25  # of rated power: a belt hardly creeps below
_LEAST_ROWS: Final = 6
_NO_CURRENT_A: Final = 0.02
_STEADY: Final = 0.01
_RPM: Final = 2 * math.pi / 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """From when on a baseline begins anew, and why."""

    at_ms: int
    what: str


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve by the method of bins.

    Attributes:
        x, y: Means in each bin.
        u: Standard uncertainty of the mean y; not-a-number in a bin with a single value.
        count: Ten-minute means in each bin.
        complete: Which bins have enough of them.

    """

    x: Floats
    y: Floats
    u: Floats
    count: Floats
    complete: Flags

    def at(self, x: Floats) -> Floats:
        """Return y, straight between complete bins; not-a-number beyond them."""
        known_x, known_y = self.x[self.complete], self.y[self.complete]
        if known_x.size == 0:
            return np.full(x.shape, np.nan)
        found: Floats = np.interp(x, known_x, known_y, left=np.nan, right=np.nan)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Baselines:
    """What was learned since the last change; a curve or constant that the channels cannot give is None.

    Attributes:
        since_ms: From when on it was learned [Unix ms].
        why: The change with which it began; empty for the plant's first.
        good_h: Hours of good data.
        power_of_speed: Power [W] against the wheel's speed [rpm].
        power_of_flow: Power [W] against the flow onto the wheel [L/s].
        ratio: Turns of the alternator per turn of the wheel at light load.
        k_open: Mean DC volts per rad/s of the alternator, from times without current [V s/rad].
        k_conducting: The same, from times with current.

    """

    since_ms: int
    why: str
    good_h: float
    power_of_speed: Curve | None
    power_of_flow: Curve | None
    ratio: Figure | None
    k_open: Figure | None
    k_conducting: Figure | None


def learn(ten: TenMinutes, plant: Plant, restarts: tuple[Restart, ...] = ()) -> Baselines:
    """Learn a plant's baselines from its rows since the last restart."""
    begin, why = last_restart(ten, restarts)
    part = ten.part(begin, ten.size)
    good = good_rows(part)
    watts = part.power_w()
    flow = flow_l_s(part, plant)
    since_ms = int(part.start_ms[0]) if part.size else 0
    return Baselines(
        since_ms=since_ms,
        why=why,
        good_h=float(good.sum()) * STEP_MS / 3.6e6,
        power_of_speed=curve(part["wheel_rpm"], watts, good),
        power_of_flow=curve(flow, watts, good),
        ratio=_learned_ratio(part, plant, watts, good),
        k_open=_k_open(part, plant),
        k_conducting=_k_conducting(part, plant, good),
    )


def last_restart(ten: TenMinutes, restarts: tuple[Restart, ...]) -> tuple[int, str]:
    """Return the first row after the last restart, and why it was one."""
    begin, why = 0, ""
    for restart in sorted(restarts, key=lambda told: told.at_ms):
        place = int(np.searchsorted(ten.start_ms, restart.at_ms))
        if place < ten.size:
            begin, why = place, restart.what
    return begin, why


def good_rows(ten: TenMinutes) -> Flags:
    """Return the rows that speak for the healthy plant as it usually runs, their neighbours included."""
    told = ten.columns
    fine = (
        (told["turning_ms"] >= _WHOLE_MS)
        & (told["charging_ms"] >= _WHOLE_MS)
        & (told["parked_ms"] == 0)
        & (told["charge_flips"] == 0)
        & (ten.measured() >= _ALMOST)
        & np.isfinite(told["wheel_rpm"])
        & ~frost(ten)
    )
    before = np.concatenate((np.zeros(1, bool), fine[:-1])) if fine.size else fine
    after = np.concatenate((fine[1:], np.zeros(1, bool))) if fine.size else fine
    found: Flags = fine & before & after
    return found


def frost(ten: TenMinutes) -> Flags:
    """Return the rows in which ice is likely on the wheel, as far as a thermometer tells."""
    channel, least = (
        ("water_degc", _FROST_WATER_DEGC) if ten.has("water_degc") else ("battery_degc", _FROST_ROOM_DEGC)
    )
    cold: Flags = ten.columns[channel] < least  # what is not a number is not cold
    return cold


def flow_l_s(ten: TenMinutes, plant: Plant) -> Floats:
    """Return the flow onto the wheel [L/s]; not-a-number where no rating before the wheel tells it."""
    rating = wheel_rating(plant)
    if rating is None:
        return np.full(ten.size, np.nan)
    found = flow_of_stage(rating, ten["stage_m"])
    # Outside what was gauged a flow is a guess, and nothing is learned from guesses.
    return np.where(found.inside, found.flow_l_s, np.nan)


def curve(x: Floats, y: Floats, rows: Flags) -> Curve | None:
    """Return y against x by the method of bins over some rows; None where there is nothing to bin."""
    use = rows & np.isfinite(x) & np.isfinite(y)
    x, y = x[use], y[use]
    if x.size < LEAST_IN_BIN:
        return None
    width = _round_width(float(np.ptp(np.percentile(x, (2, 98)))) / _BINS, float(np.abs(x).max()))
    bins = bin_means(x, y, width)
    return Curve(bins.x, bins.y, bins.u, bins.count.astype(np.float64), bins.count >= LEAST_IN_BIN)


def _round_width(width: float, largest: float) -> float:
    """Return a width of bins that a person would choose: 1, 2 or 5 of a power of ten."""
    width = max(width, 1e-4 * largest, 1e-9)
    power = math.pow(10.0, math.floor(math.log10(width)))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= width * (1 - 1e-9))


def _figure_of(values: Floats, note: str, share_u: float = 0.0) -> Figure | None:
    """Return the median of some rows as a figure: what they scatter, and a share of the value beside it."""
    if values.size < _LEAST_ROWS:
        return None
    middle = float(np.median(values))
    scatter = 1.4826 * float(np.median(np.abs(values - middle)))
    return Figure(value=middle, u=math.hypot(scatter, share_u * middle), note=note)


def _learned_ratio(ten: TenMinutes, plant: Plant, watts: Floats, good: Flags) -> Figure | None:
    light = good & (watts <= _LIGHT_SHARE * plant.alternator.rated_w) & np.isfinite(ten["alternator_rpm"])
    turns = ten["alternator_rpm"][light] / ten["wheel_rpm"][light]
    return _figure_of(turns, "at light load, the belt's creep in it")


def _alternator_rad_s(ten: TenMinutes, plant: Plant) -> tuple[Floats, str, float]:
    """Return the alternator's speed, where it is from, and the relative uncertainty of that."""
    if ten.has("alternator_rpm"):
        return ten["alternator_rpm"] * _RPM, "", 0.001
    told = ratio_of(plant) * (1 - plant.belt.creep)
    return ten["wheel_rpm"] * told * _RPM, "by the ratio that plant.toml tells", 0.02


def _k_open(ten: TenMinutes, plant: Plant) -> Figure | None:
    """Learn the open-circuit constant where the wheel turns steadily without current.

    The capacitor holds the highest voltage, so rows count only in which the speed did not fall from the row before.
    """
    speed, note, u = _alternator_rad_s(ten, plant)
    volts = ten["rectified_v"]
    current = ten["rectified_a"] if ten.has("rectified_a") else ten["charge_a"]
    before = np.concatenate((np.full(1, np.nan), speed[:-1])) if speed.size else speed
    use = (
        (ten["turning_ms"] + ten["parked_ms"] >= _WHOLE_MS)
        & (ten["charging_ms"] == 0)
        & (np.abs(current) < _NO_CURRENT_A)
        & (speed >= before * (1 - _STEADY))
        & (speed > 1.0)
        & (volts > 1.0)
    )
    # Charged to the peak: V = (pi / 3) k w - 2 V_f, the peak over the mean of six pulses a turn.
    per_mean = math.pi / 3
    k = (volts[use] + 2 * plant.alternator.diode_v) / (per_mean * speed[use])
    return _figure_of(k, note, u)


def _k_conducting(ten: TenMinutes, plant: Plant, good: Flags) -> Figure | None:
    speed, note, u = _alternator_rad_s(ten, plant)
    if not ten.has("rectified_a"):
        return None
    told = plant.alternator
    amps, volts = (ten.columns[name][good].astype(np.float64) for name in ("rectified_a", "rectified_v"))
    speed = speed[good]
    use = (amps > _NO_CURRENT_A) & np.isfinite(volts) & np.isfinite(speed)
    amps, volts, speed = amps[use], volts[use], speed[use]
    overlap_ohm = 3 * told.pole_pairs * speed * told.inductance_h / math.pi
    drops = 2 * told.diode_v + (2 * told.resistance_ohm + overlap_ohm) * amps
    return _figure_of((volts + drops) / speed, note, u)
