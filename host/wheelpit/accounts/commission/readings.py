"""From several readings to a mean with its uncertainty, and from readings to what follows from them."""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.accounts.figure import COVERAGE_FACTOR, Figure
from wheelpit.physics.uncertainty import combined_u, contributions, mean_and_u

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_HUMP: Final = 1.25  # a pull above the middle of those after it by this factor was the start hump
# Student's t for 95 % by degrees of freedom 1, 2, 3 ... (JCGM 100:2008, table G.2).
_T95: Final = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23)
_T95_MANY: Final = 2.1


class Reading(NamedTuple):
    """A value with its standard uncertainty."""

    value: float
    u: float


class Pulls(NamedTuple):
    """Pulls of one kind: their steady mean, how many made it, and the start hump if one was given."""

    steady: Reading
    readings: int
    hump: float | None


def mean_of(values: Sequence[float], u: float) -> Reading:
    """Return the mean of readings; `u` is what every one of them shares, such as the balance's own error.

    Few readings say little of their spread: it is widened by Student's t, so that twice u holds 95 %. A single reading
    has only the shared part.
    """
    if len(values) == 1:
        return Reading(values[0], u)
    found = mean_and_u(values)
    return Reading(found.value, math.hypot(widened(found.u, len(values) - 1), u))


def widened(u: float, freedom: int) -> float:
    """Return a standard uncertainty from so many degrees of freedom, 1 or more, widened so that twice it holds 95 %."""
    t = _T95[freedom - 1] if freedom <= len(_T95) else _T95_MANY
    return u * t / COVERAGE_FACTOR


def pulls_of(values: Sequence[float], u: float) -> Pulls | None:
    """Return pulls with the start hump told from the rest; None where none were given."""
    if not values:
        return None
    steady = list(values)
    humps: list[float] = []
    while len(steady) > 2 and steady[0] > _HUMP * median(steady[1:]):  # noqa: PLR2004 - a spread needs two
        humps.append(steady.pop(0))
    return Pulls(mean_of(steady, u), len(steady), max(humps) if humps else None)


def derived(function: Callable[..., float], *inputs: Reading, note: str = "") -> Figure:
    """Return what follows from readings that are independent of each other, with its uncertainty (GUM).

    Raises:
        PhysicsError: A reading, or one moved by its uncertainty, is outside the limits of a formula.

    """
    values = [one.value for one in inputs]
    parts = contributions(function, values, [one.u for one in inputs])
    return Figure(value=function(*values), u=combined_u(parts), note=note)
