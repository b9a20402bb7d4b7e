"""Where leaves at the rack kept water back: the power sagged over hours and rose at once when it was raked.

Rain raises a stream too, but it goes on rising for hours, and before it the stream was falling slowly. A rack that is
raked gives back at once, and no more than was there before the sag began.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.accounts.tenminutes import Flags, Floats

_RISE: Final = 1.12
_LEVEL: Final = 3  # rows on either side of a step that tell its levels
_BACK: Final = 432  # rows, three days, in which the sag must have begun
_TREND: Final = 72  # rows after the step that tell whether the stream was falling
_STEEPEST: Final = 0.006  # a row, of ln power: what lies beyond is a flood, not a trend
_NEAR: Final = 0.97
_MEET: Final = 3
_CALM: Final = 0.05  # share by which the power may still change in the two hours after a step ...
_CALM_ROWS: Final = 12
_RISING: Final = 1.04  # ... and may have risen in the hour before it
_QUICK: Final = 2.0  # times the steepest recession, by which a sag must fall for a rack to be the cause


def clogged(watts: Floats, normal: Flags) -> Iterator[tuple[int, int, Floats]]:
    """Yield begin and end of each time the rack was clogged, with the power that would have been there [W]."""
    power = np.where(normal, watts, np.nan)
    sums = np.concatenate((np.zeros(1), np.cumsum(np.nan_to_num(power))))
    fine = np.concatenate((np.zeros(1), np.cumsum(normal, dtype=np.float64)))
    count = power.size
    # A step may fall within a row: levels are taken from the rows beside it.
    place = np.arange(_LEVEL, max(count - _LEVEL - 1, _LEVEL))
    whole = fine[place + _LEVEL + 1] - fine[place - _LEVEL] == 2 * _LEVEL + 1
    before = (sums[place] - sums[place - _LEVEL]) / _LEVEL
    after = (sums[place + 1 + _LEVEL] - sums[place + 1]) / _LEVEL
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(whole & (before > 0), after / before, 0.0)
    last = 0
    for at in place[ratio >= _RISE].tolist():
        here = at - _LEVEL
        if ratio[here] < ratio[max(here - _LEVEL, 0) : here + _LEVEL + 1].max() or at <= last:
            continue
        if not _at_once(power, at):
            continue
        begin, natural = _sag(power, at)
        if last < begin <= at + 1 - _MEET and _sags(power[begin:at], natural):
            yield begin, at + 1, natural
            last = at + 1


def _at_once(power: Floats, at: int) -> bool:
    """Tell whether a step up came out of a level or falling power and into a level one."""
    before = power[max(at - 2 * _LEVEL, 0) : at]
    after = power[at + 1 : at + 1 + _CALM_ROWS + _LEVEL]
    if before.size < 2 * _LEVEL or after.size < _CALM_ROWS + _LEVEL:
        return False
    if not (np.isfinite(before).all() and np.isfinite(after).all()):
        return False
    first, then = float(after[:_LEVEL].mean()), float(after[-_LEVEL:].mean())
    rising = float(before[_LEVEL:].mean() / before[:_LEVEL].mean()) > _RISING
    return abs(then / first - 1) <= _CALM and not rising


def _sags(power: Floats, natural: Floats) -> bool:
    """Tell whether the power fell from the natural one faster than any stream recedes, on the way to its least."""
    lowest = int(np.nanargmin(power)) if np.isfinite(power).any() else 0
    if lowest < 1:
        return False
    fall = np.log(natural[0] / max(float(power[lowest]), 1e-3))
    return bool(fall / (lowest + 1) > _QUICK * _STEEPEST / 4)


def _sag(power: Floats, at: int) -> tuple[int, Floats]:
    """Return where the sag before a step began, and the power there would have been from there to the step."""
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
        return at + 1, natural[:0]  # it was lower all along: no sag, a rise
    begin = int(met[-1]) + 1
    return int(back[begin]), natural[begin:]
