"""Where leaves at the rack kept water back: the power sagged over hours and rose at once when it was raked.

Rain raises a stream too, but it goes on rising for hours, and before it the stream was falling slowly. A rack that is
raked gives back at once, and no more than was there before the sag began. Where somebody noted the raking, less
is asked of the step, and the stream may have risen meanwhile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from wheelpit.accounts.tenminutes import Flags, Floats

    Places = NDArray[np.int64]

_RISE: Final = 1.2  # where nobody noted a raking: rain alone makes 1.15 of it in half an hour
_RISE_NOTED: Final = 1.15  # where somebody noted that the rack was raked
_NOTED_OFF: Final = 4  # rows by which a note may be off: half an hour, and the row in which the step lies
_LEVEL: Final = 3  # rows on either side of a step that tell its levels
_BACK: Final = 432  # rows, three days, in which the sag must have begun
_TREND: Final = 72  # rows after the step that tell whether the stream was falling
_STEEPEST: Final = 0.006  # a row, of ln power: what lies beyond is a flood, not a trend
_NEAR: Final = 0.97
_MEET: Final = 3
_CALM: Final = 0.05  # share by which the power may still change in the two hours after a step ...
_CALM_ROWS: Final = 12
_CALM_NOTED: Final = 0.1
_RISING: Final = 1.04  # ... and may have risen in the hour before it
_SUDDEN: Final = 0.6  # share of the rise that two rows must bring: a shower takes an hour
_DAY: Final = 144
_SMOOTH: Final = 6
_AT_ONCE: Final = 0.5  # share of the fall that the step must bring back
_LEAST_RISING: Final = 18  # rows of a sag that can be told from the rise of a stream
_QUICK: Final = 2.0  # times the steepest recession, by which a sag must fall for a rack to be the cause


class Sag(NamedTuple):
    """A time in which leaves kept water back.

    Attributes:
        begin, end: Its rows.
        natural_w: The power that would have been there in each of them [W].
        unsure_w: A standard uncertainty of that, beside the one of a line over so many rows [W].

    """

    begin: int
    end: int
    natural_w: Floats
    unsure_w: Floats


def clogged(watts: Floats, normal: Flags, raked: Places | None = None) -> Iterator[Sag]:
    """Yield each time the rack was clogged.

    Args:
        watts: The power of each row [W].
        normal: Rows in which the plant charged, measured, all the time.
        raked: Rows in which somebody noted that the rack was raked; near them a smaller step will do.

    """
    power = np.where(normal, watts, np.nan)
    sums = np.concatenate((np.zeros(1), np.cumsum(np.nan_to_num(power))))
    fine = np.concatenate((np.zeros(1), np.cumsum(normal, dtype=np.float64)))
    count = power.size
    noted = np.zeros(count, bool)
    for row in () if raked is None else raked.tolist():
        noted[max(row - _NOTED_OFF, 0) : max(row + _NOTED_OFF + 1, 0)] = True
    # A step may fall within a row: levels are taken from the rows beside it.
    near, size = 2 * _LEVEL + 1, max(count - 2 * _LEVEL - 1, 0)
    whole = fine[near : near + size] - fine[:size] == near
    before = (sums[_LEVEL : _LEVEL + size] - sums[:size]) / _LEVEL
    after = (sums[near : near + size] - sums[_LEVEL + 1 : _LEVEL + 1 + size]) / _LEVEL
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(whole & (before > 0), after / before, 0.0)
    steps = np.flatnonzero(ratio >= _RISE_NOTED)
    steps = steps[noted[steps + _LEVEL] | (ratio[steps] >= _RISE)]
    around = np.clip(steps[:, None] + np.arange(-_LEVEL, _LEVEL + 1), 0, size - 1)
    steps = steps[ratio[steps] >= ratio[around].max(axis=1, initial=0.0)]
    steps = steps[_at_once(power, steps + _LEVEL, noted)]
    last = 0
    for here in steps.tolist():
        at = here + _LEVEL
        if at <= last:
            continue
        sag = _sag(power, at)
        if sag is None and noted[at]:
            sag = _sag_of_a_rising_stream(power, at)
        if (
            sag is not None
            and last < sag.begin
            and _sags(power[sag.begin : at], sag.natural_w, float(ratio[here]))
        ):
            yield sag
            last = sag.end


def _at_once(power: Floats, at: Places, noted: Flags) -> Flags:
    """Tell which steps up came out of a level or falling power and into a level one."""
    found = np.zeros(at.size, bool)
    known = np.flatnonzero((at >= 2 * _LEVEL) & (at < power.size - _CALM_ROWS - _LEVEL))
    before = power[at[known, None] + np.arange(-2 * _LEVEL, 0)]
    after = power[at[known, None] + np.arange(1, 1 + _CALM_ROWS + _LEVEL)]
    fine = np.isfinite(before).all(axis=1) & np.isfinite(after).all(axis=1)
    known, before, after = known[fine], before[fine], after[fine]
    first, then = after[:, :_LEVEL].mean(axis=1), after[:, -_LEVEL:].mean(axis=1)
    earlier, lately = before[:, :_LEVEL].mean(axis=1), before[:, _LEVEL:].mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.abs(then / first - 1)
        rising = lately / earlier > _RISING
        leap = np.log(np.maximum(after[:, 0], 1e-3) / np.maximum(before[:, -1], 1e-3))
        sudden = leap >= _SUDDEN * np.log(first / lately)
    found[known] = np.where(noted[at[known]], change <= _CALM_NOTED, (change <= _CALM) & sudden & ~rising)
    return found


def _sags(power: Floats, natural: Floats, rise: float) -> bool:
    """Tell whether the power fell faster than any stream recedes, and stayed low until the step brought it back.

    A rack does not clear by itself: where most of the fall was made good before the step, the stream fell and rose.
    """
    lowest = int(np.nanargmin(power)) if np.isfinite(power).any() else 0
    if lowest < 1:
        return False
    fall = np.log(natural[0] / max(float(power[lowest]), 1e-3))
    return bool(fall / (lowest + 1) > _QUICK * _STEEPEST / 4 and np.log(rise) >= _AT_ONCE * fall)


def _sag(power: Floats, at: int) -> Sag | None:
    """Return the sag before a step: back to where the power was last what it would have been without it."""
    rows = np.arange(at + 1, min(at + 1 + _TREND, power.size))
    rows = rows[np.isfinite(power[rows])]
    level = float(np.mean(power[rows[:_LEVEL]]))
    slope = 0.0
    if rows.size >= _TREND // 2:
        slope = float(np.polyfit(rows, np.log(np.maximum(power[rows], 1e-3)), 1)[0])
    slope = min(max(slope, -_STEEPEST), 0.0)  # a rising stream was hardly rising before, too
    back = np.arange(max(at - _BACK, 0), at + 1)
    natural = level * np.exp(slope * (back - at))
    with np.errstate(invalid="ignore"):
        there = np.where(np.isfinite(power[back]), power[back] >= _NEAR * natural, True)  # noqa: FBT003 - a gap ends it
    together = there.copy()
    for shift in range(1, _MEET):
        together[shift:] &= there[:-shift]
    met = np.flatnonzero(together[:-_LEVEL])
    if not met.size:
        return None  # it was lower all along: the stream rose
    begin = int(met[-1]) + 1
    if back.size - begin < _MEET:
        return None
    return Sag(int(back[begin]), at + 1, natural[begin:], np.zeros(back.size - begin))


def _sag_of_a_rising_stream(power: Floats, at: int) -> Sag | None:
    """Return the sag before a step where the stream rose meanwhile: from the day's highest power to that after it."""
    first = max(at - _DAY, 0)
    day = power[first:at]
    if day.size < _DAY or not np.isfinite(day).all():
        return None
    smooth = np.convolve(day, np.full(_SMOOTH, 1 / _SMOOTH), "valid")
    peak = int(smooth.argmax())
    begin = first + peak + _SMOOTH
    # A peak at the window's edge is a stream that fell all day; one just before the step, a stream that only rose.
    if peak == 0 or at - begin < _LEAST_RISING:
        return None
    if smooth[peak] < _RISE_NOTED * power[at - _LEVEL : at].mean():
        return None
    level = float(power[at + 1 : at + 1 + _LEVEL].mean())
    share = np.arange(1, at + 2 - begin) / (at + 1 - begin)
    natural = np.exp((1 - share) * np.log(smooth[peak]) + share * np.log(level))
    # Rain raises a stream fast: it may have been there from the beginning on.
    return Sag(begin, at + 1, natural, np.abs(level - natural))
