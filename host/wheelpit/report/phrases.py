"""How a report says a figure, a duration and a date."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.figure import COVERAGE_FACTOR

if TYPE_CHECKING:
    import datetime as dt

    from wheelpit.accounts.figure import Figure

ABSENT: Final = "\N{EN DASH}"
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_MS_PER_MIN: Final = 60_000


def rounded(value: float, half: float) -> tuple[str, str]:
    """Return a value and the half width of its interval, the latter to two figures (JCGM 100:2008, 7.2.6)."""
    if not half > 0:
        return f"{value:,.2f}", "0"
    digits = max(0, 1 - math.floor(math.log10(half)))
    return f"{value:,.{digits}f}", f"{half:,.{digits}f}"


def figure(found: Figure | None, unit: str, per_unit: float = 1.0, *, marked: bool = True) -> str:
    """Return a figure with its 95 % interval, or a dash where it cannot be said.

    Args:
        found: the figure.
        unit: the unit to print.
        per_unit: how many of the figure's units make one of those.
        marked: whether it is said here that a figure is modelled, not beside it.

    """
    if found is None:
        return ABSENT
    value, half = rounded(found.value / per_unit, COVERAGE_FACTOR * found.u / per_unit)
    if found.origin == "lower-bound":
        return f"at least {value} {unit}"
    modelled = " (modelled)" if marked and found.origin == "modelled" else ""
    return f"{value} \N{PLUS-MINUS SIGN} {half} {unit}{modelled}"


def share(value: float) -> str:
    """Return a share in per cent; what is not whole is never printed as 100."""
    text = f"{100 * value:.1f}"
    if text == "100.0" and value < 1.0:
        text = "99.9"
    return f"{text} %"


def day(of: dt.date) -> str:
    """Return a date in words."""
    return f"{of.day} {_MONTHS[of.month - 1]} {of.year}"


def month(year: int, number: int) -> str:
    """Return a month in words."""
    return f"{_MONTHS[number - 1]} {year}"


def lasted(ms: int) -> str:
    """Return a duration in hours and minutes; in seconds below two minutes."""
    if ms < 2 * _MS_PER_MIN:
        return f"{ms / 1000:.0f} s"
    minutes = round(ms / _MS_PER_MIN)
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02} min" if hours else f"{minutes} min"
