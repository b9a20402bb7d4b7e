"""Whether a plant has begun to give less than it used to, since when, and what may be the cause.

Each comparison takes rows of like load against each other, so that less water is never taken for a fault. What the
fitted channels cannot tell is not claimed, and `not_told` says what would tell it. A claim asks for more than a set
share, for more than the plant's own restlessness from day to day explains, and for days on end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from wheelpit.accounts.baselines import Restart, curve, flow_l_s, good_rows, last_restart
from wheelpit.accounts.figure import Figure
from wheelpit.accounts.water import wheel_rating
from wheelpit.physics.change import change_of_level, memory_of

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from wheelpit.accounts.tenminutes import Flags, Floats, TenMinutes
    from wheelpit.plant.description import Plant
    from wheelpit.plant.rating import StageRating

Kind = Literal["flow", "wheel", "drive", "volts"]

_LEAST_ROWS_A_DAY: Final = 6
_MOST_DAYS: Final = 800  # what was usual longer ago says little
_LEAST_DAYS: Final = 20  # of healthy running before anything is claimed
_WIDEST: Final = 0.3  # a row further out than that says nothing of the day's level
_SURE: Final = 4.0  # standard uncertainties that a claim asks for
_LEAST_LOOKS: Final = 3
_STAYS: Final = 3  # the last days, each of which must lie on the same side
_LONGER: Final = (1, 2, 4, 8)
_LEAF_M: Final = 0.003  # by which a leaf on the crest lifts the level
_RPM: Final = 2 * math.pi / 60


class _Comparison(NamedTuple):
    """How a kind of drift is looked for: limit as a share, days of a look, words."""

    limit: float
    days: int
    text: str
    causes: str


_TOLD: Final[dict[Kind, _Comparison]] = {
    "flow": _Comparison(
        0.05,
        10,
        "less power than usual at this level of the water",
        "wheel, belt, bearing, generator, or the weir: look for leaves on its crest first, then at the rack, then listen "
        "to the bearings and feel the belt",
    ),
    "wheel": _Comparison(
        0.04,
        5,
        "less power at the wheel's shaft than usual at this level of the water",
        "wheel, bearing, or the weir: look for leaves on its crest and in the buckets first, then at the bearings",
    ),
    "drive": _Comparison(
        0.04,
        5,
        "less power than usual for this power at the wheel's shaft",
        "belt, generator, bridge or converter, or a connection between them",
    ),
    "volts": _Comparison(
        0.04,
        14,
        "less voltage than usual at this speed and load",
        "belt, magnets, hot winding or a connection",
    ),
}
_WITHOUT_BELT: Final = "magnets, hot winding or a connection; the belt is not it, its slip is measured"


class _Levels(NamedTuple):
    """Each day's difference from what is usual, its day, and how much more its restlessness counts for now."""

    level: Floats
    day: NDArray[np.int64]
    weight: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A lasting change for the worse.

    Attributes:
        kind: What was compared.
        share: The change as a share of what is usual; negative is less.
        since: The first day of the new level.
        since_u_days: Standard uncertainty of that day.
        days: Days of the new level that were compared.
        text: What is seen.
        causes: What it may be.

    """

    kind: Kind
    share: Figure
    since: date
    since_u_days: float
    days: int
    text: str
    causes: str


def not_told(plant: Plant) -> list[str]:
    """Return what about drift the fitted channels cannot tell, and what would."""
    have = plant.channels
    found: list[str] = []
    if wheel_rating(plant) is None:
        found.append(
            "a loss of the wheel or a bearing cannot be told from less water: it takes stage_m at a rated weir in the "
            "headrace, or shaft_nm beside it"
        )
    elif "shaft_nm" not in have:
        found.append(
            "wheel, belt, bearing and weir are told together only: shaft_nm at the wheel's shaft would part them"
        )
    if not {"wheel_rpm", "alternator_rpm"} <= have:
        found.append("belt slip is not claimed: it takes alternator_rpm, a second pickup or one phase")
    return found


def drifts(ten: TenMinutes, plant: Plant, restarts: tuple[Restart, ...] = ()) -> list[Drift]:
    """Return what has changed for the worse as of the last day, the surest first.

    Args:
        ten: Rows; the last of their days is the one that is spoken of, and should be over.
        plant: The plant.
        restarts: Logged changes; nothing before the last of them is compared with.

    """
    begin, _ = last_restart(ten, restarts)
    if len(ten.days) > _MOST_DAYS:
        begin = max(begin, ten.days[-_MOST_DAYS].begin)
    part = ten.part(begin, ten.size)
    if len(part.days) < _LEAST_DAYS:
        return []
    good = good_rows(part)
    rating = wheel_rating(plant)
    found: list[Drift] = []
    for kind, told in _comparisons(part, plant).items():
        drift = _look(part, kind, told, good, rating)
        if drift is not None:
            found.append(drift)
    if any(drift.kind in ("wheel", "drive") for drift in found):
        found = [drift for drift in found if drift.kind != "flow"]  # the finer one says it
    return sorted(found, key=lambda drift: drift.share.value / max(drift.share.u, 1e-9))


def _comparisons(ten: TenMinutes, plant: Plant) -> dict[Kind, tuple[Floats, Floats]]:
    """Return by kind what is compared: a load, and the logarithm of what goes with it."""
    watts, flow = ten.power_w(), flow_l_s(ten, plant)
    shaft_w = ten["shaft_nm"] * ten["wheel_rpm"] * _RPM
    speed = ten["alternator_rpm"] if ten.has("alternator_rpm") else ten["wheel_rpm"]
    with np.errstate(invalid="ignore", divide="ignore"):
        told: dict[Kind, tuple[Floats, Floats]] = {
            "flow": (flow, np.log(watts / flow)),
            "wheel": (flow, np.log(shaft_w / flow)),
            "drive": (shaft_w, np.log(watts / shaft_w)),
            "volts": (watts, np.log(ten["rectified_v"] / speed)),
        }
    return {kind: (x, y) for kind, (x, y) in told.items() if np.isfinite(x + y).any()}


def _look(
    ten: TenMinutes, kind: Kind, compared: tuple[Floats, Floats], good: Flags, rating: StageRating | None
) -> Drift | None:
    """Compare the last days with all before, over longer and longer looks."""
    how, (x, y) = _TOLD[kind], compared
    use = good & np.isfinite(x) & np.isfinite(y)
    edges = np.array([span.begin for span in ten.days], np.int64)
    day = np.searchsorted(edges, np.arange(ten.size), side="right") - 1
    rows = np.bincount(day[use], minlength=edges.size)
    enough = np.flatnonzero(rows >= _LEAST_ROWS_A_DAY)
    best: Drift | None = None
    for longer in _LONGER:
        look = longer * how.days
        if enough.size < look + _LEAST_DAYS:
            break
        first_day = int(enough[-look])
        if edges.size - first_day > 2 * look + _STAYS:
            continue  # so few of the last days ran well that they say nothing of now
        levels = _levels(x, y, use, day, first_day)
        told = levels[enough]
        told_days = enough[np.isfinite(told)]
        told = told[np.isfinite(told)]
        limit, weight = how.limit, np.ones(told.size)
        if kind in ("flow", "wheel") and rating is not None:
            sums = np.bincount(day[use], ten["stage_m"][use], minlength=edges.size).astype(np.float64)
            depth = sums[told_days] / rows[told_days] - rating.law.zero_m
            now_m = float(np.median(depth[told_days >= first_day])) if (told_days >= first_day).any() else 1.0
            limit = max(limit, rating.law.exponent * _LEAF_M / now_m)
            # What lifted the level at high water by a millimetre does so at low water, where it counts for more.
            weight = np.maximum(depth / now_m, 1.0)
        drift = _claim(ten, kind, _Levels(told, told_days, weight), first_day, limit)
        if drift is not None and (best is None or drift.share.u < best.share.u):
            best = drift
    return best


def _levels(x: Floats, y: Floats, use: Flags, day: NDArray[np.int64], first_day: int) -> Floats:
    """Return each day's mean difference from the curve of the days before `first_day`."""
    usual = curve(x, y, use & (day < first_day))
    count = int(day[-1]) + 1
    if usual is None:
        return np.full(count, np.nan)
    off = y - usual.at(x)
    told = use & np.isfinite(off)
    held = np.clip(off[told], -_WIDEST, _WIDEST)
    rows = np.bincount(day[told], minlength=count)
    found: Floats = np.bincount(day[told], held, minlength=count) / np.maximum(rows, 1)
    return np.where(rows >= _LEAST_ROWS_A_DAY, found, np.nan)


def _restless(levels: Floats, days: int) -> float:
    """Return how much the means of so many days differ in health; 0 where there were too few such looks."""
    if levels.size < _LEAST_LOOKS * days:
        return 0.0
    sums = np.concatenate((np.zeros(1), np.cumsum(levels)))
    return float(((sums[days:] - sums[:-days]) / days).std(ddof=1))


def _claim(ten: TenMinutes, kind: Kind, told: _Levels, first_day: int, limit: float) -> Drift | None:
    """Return a drift where the days from `first_day` on lie surely and lastingly below those before."""
    how, levels, days = _TOLD[kind], told.level, told.day
    before, after = levels[days < first_day], levels[days >= first_day]
    if before.size < _LEAST_DAYS or after.size < how.days // 2:
        return None
    memory = memory_of(before)
    longer = (1 + memory) / (1 - memory)
    unrest = (before - before.mean()) * told.weight[days < first_day]
    spread = float(unrest.std(ddof=1))
    u = spread * math.sqrt(longer * (1 / after.size + 1 / before.size))
    # What lasts for weeks (a weir that silts and is flushed) hides from the memory of one day: looks of the same length.
    u = max(u, _restless(unrest, after.size))
    change = float(after.mean() - before.mean())
    if change > -max(limit, _SURE * u) or (after[-_STAYS:] > 0.5 * change).any():
        return None
    at = change_of_level(levels[-(2 * after.size + _LEAST_DAYS) :], _STAYS, memory)
    start = levels.size - min(levels.size, 2 * after.size + _LEAST_DAYS)
    since = int(days[start + at.place])
    new = levels[start + at.place :]
    share = math.expm1(float(new.mean() - before.mean()))
    since_u = max(0.5, (spread / max(abs(at.after - at.before), 1e-6)) ** 2 * longer)
    text, causes = how.text, how.causes
    if kind == "volts" and ten.has("alternator_rpm"):
        causes = _WITHOUT_BELT
    return Drift(
        kind=kind,
        share=Figure(value=share, u=max(u, 1e-4), note=text),
        since=ten.days[since].day,
        since_u_days=since_u,
        days=int(new.size),
        text=text,
        causes=causes,
    )
