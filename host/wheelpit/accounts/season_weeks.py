"""Weeks, the best and the worst, and what the next days usually bring."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.figure import Figure
from wheelpit.accounts.tenminutes import STEP_MS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from wheelpit.accounts.figure import Origin
    from wheelpit.accounts.tenminutes import DaySpan, Floats

OUTLOOK_DAYS: Final = 30
_H: Final = STEP_MS / 3.6e6
_ENOUGH: Final = 0.8
_WEEK: Final = 7
_AROUND_DAYS: Final = 45
# Student's t for a 95 % interval by years less one, over 1.96 (JCGM 100:2008, table G.2): few years say little.
_FEW_YEARS: Final = (6.48, 2.19, 1.62, 1.42, 1.31, 1.25, 1.20, 1.18, 1.15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """A week from Monday on: mean power over the measured time [W]."""

    monday: dt.date
    mean_w: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What some days to come usually bring, by the same days of earlier years.

    Attributes:
        first, last: The days.
        energy_wh: Expected energy [Wh]; its interval is how much such days differ.
        years: How many earlier years it rests on.
        least_wh, most_wh: The least and the most that those years had [Wh].

    """

    first: dt.date
    last: dt.date
    energy_wh: Figure
    years: int
    least_wh: float
    most_wh: float


def weeks(
    days: Sequence[DaySpan], wh_before: Floats, measured_before: Floats, u_share: float, origin: Origin
) -> tuple[Week, ...]:
    """Return the weeks of which four fifths were measured.

    Args:
        days: The days.
        wh_before: The energy of all rows before each row, and of all of them [Wh].
        measured_before: The same of the rows' measured shares.
        u_share: Relative standard uncertainty of the energy.
        origin: Where the energy comes from.

    """
    found: list[Week] = []
    for monday, of_week in groupby(days, key=lambda span: span.day.toordinal() - span.day.weekday()):
        spans = list(of_week)
        begin, end = spans[0].begin, spans[-1].end
        measured = float(measured_before[end] - measured_before[begin])
        coverage = measured / (end - begin)
        if len(spans) < _WEEK or coverage < _ENOUGH:
            continue
        mean = float(wh_before[end] - wh_before[begin]) / (measured * _H)
        figure = Figure(value=mean, u=abs(mean) * u_share, origin=origin, coverage=min(coverage, 1.0))
        found.append(Week(monday=dt.date.fromordinal(monday), mean_w=figure))
    return tuple(found)


def outlook(
    days: Sequence[DaySpan],
    wh_before: Floats,
    measured_before: Floats,
    last: dt.date,
    count: int = OUTLOOK_DAYS,
) -> Outlook | None:
    """Return what so many days after `last` usually bring; None without the same days of an earlier year.

    Args:
        days: All days that there are.
        wh_before: The energy of all rows before each row, and of all of them [Wh].
        measured_before: The same of the rows' measured shares.
        last: The day after which it begins.
        count: How many days.

    """
    there = {span.day: span for span in days}

    def mean_w(first: dt.date) -> float | None:
        """Return the mean power of so many days, None where less than four fifths were measured."""
        energy = hours = rows = 0.0
        for number in range(count):
            span = there.get(first + dt.timedelta(days=number))
            if span is not None:
                energy += float(wh_before[span.end] - wh_before[span.begin])
                hours += float(measured_before[span.end] - measured_before[span.begin]) * _H
                rows += span.end - span.begin
        return energy / hours if hours >= _ENOUGH * count * 24 and rows else None

    first = last + dt.timedelta(days=1)
    earlier: list[float] = []
    for back in range(1, last.year - min(there, default=last).year + 1):
        then = first - dt.timedelta(days=round(365.25 * back))
        found = mean_w(then) if then + dt.timedelta(days=count) <= last else None
        if found is not None:
            earlier.append(found)
    if not earlier:
        return None
    hours = 24.0 * count
    mean = float(np.mean(earlier)) * hours
    if len(earlier) > 1:
        few = _FEW_YEARS[min(len(earlier) - 2, len(_FEW_YEARS) - 1)]
        spread = float(np.std(earlier, ddof=1)) * math.sqrt(1 + 1 / len(earlier)) * few * hours
    else:
        spread = _of_one_year(mean_w, first, last) * hours
    note = f"from {len(earlier)} earlier {'year' if len(earlier) == 1 else 'years'}; what the weather does is its range"
    return Outlook(
        first=first,
        last=last + dt.timedelta(days=count),
        energy_wh=Figure(value=mean, u=max(spread, 0.05 * mean), origin="modelled", note=note),
        years=len(earlier),
        least_wh=min(earlier) * hours,
        most_wh=max(earlier) * hours,
    )


def _of_one_year(mean_w: Callable[[dt.date], float | None], first: dt.date, last: dt.date) -> float:
    """Return how much such days differ around that time of one year [W]: all that a single year can tell."""
    then = first - dt.timedelta(days=365)
    around = [
        found
        for shift in range(-_AROUND_DAYS, _AROUND_DAYS + 1, 15)
        if then + dt.timedelta(days=shift + OUTLOOK_DAYS) <= last
        and (found := mean_w(then + dt.timedelta(days=shift))) is not None
    ]
    return float(np.std(around, ddof=1)) * math.sqrt(2) if len(around) > 2 else float(np.mean(around)) / 2  # noqa: PLR2004
