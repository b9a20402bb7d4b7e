"""A level sensor's own table: Q = a (h - h0)^b through gauged pairs, with its uncertainty at any level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.commission.readings import widened
from wheelpit.accounts.figure import Figure
from wheelpit.errors import WheelpitError
from wheelpit.physics.rating import LEAST_EXPONENT, MOST_EXPONENT, RatingLaw, rating_flow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_LEAST_PAIRS: Final = 4
_GRID: Final = 400
_NEAREST: Final = 0.002  # below the lowest level, as a share of the range of levels
_FARTHEST: Final = 3.0
_ROUNDS: Final = 60
_GOLD: Final = 0.6180339887498949
_CONSTANTS: Final = 3


class RatingError(WheelpitError):
    """Pairs through which no rating goes."""


@dataclass(frozen=True, slots=True)
class Rating:
    """A rating: `flow_l_s = a (stage_m - zero_m) ** b`.

    Attributes:
        a, zero_m, b: the constants [L/s, m, -].
        from_m, to_m: the levels between which it was gauged.
        scatter: standard deviation of the gauged flows about it [share].
        covariance: of ln a, h0 and b.
        pairs: how many gaugings it is from.

    """

    a: float
    zero_m: float
    b: float
    from_m: float
    to_m: float
    scatter: float
    covariance: tuple[tuple[float, ...], ...]
    pairs: int

    @property
    def law(self) -> RatingLaw:
        """The relation in m3/s."""
        return RatingLaw(self.a / 1000.0, self.zero_m, self.b)

    @property
    def freedom(self) -> int:
        """Gaugings more than it has constants."""
        return self.pairs - _CONSTANTS

    def share_u(self, stage_m: float) -> float:
        """Return the relative standard uncertainty at a level above `zero_m`; of few gaugings, widened by Student's t."""
        depth = stage_m - self.zero_m
        slope = np.array([1.0, -self.b / depth, np.log(depth)])
        variance = max(float(slope @ np.array(self.covariance) @ slope), 0.0) + self.scatter**2
        return widened(math.sqrt(variance), self.freedom)

    def flow_l_s(self, stage_m: float) -> Figure:
        """Return the flow at a level; outside what was gauged it is marked as modelled."""
        if stage_m <= self.zero_m:
            return Figure(value=0.0, u=0.0, origin="modelled", note="below the level at which flow begins")
        value = 1000.0 * rating_flow(self.law, stage_m)
        inside = self.from_m <= stage_m <= self.to_m
        return Figure(
            value=value,
            u=value * self.share_u(stage_m),
            origin="measured" if inside else "modelled",
            note="" if inside else f"outside the gauged levels, {self.from_m:g} to {self.to_m:g} m: a guess",
        )


def fit_rating(stages_m: Sequence[float], flows_l_s: Sequence[float]) -> Rating:
    """Fit a rating: least squares of the logarithms, the level of no flow by search.

    Args:
        stages_m: Levels [m].
        flows_l_s: Flows gauged at them [L/s].

    Raises:
        RatingError: too few pairs, levels that do not differ, flows that do not rise with them.

    """
    if len(stages_m) != len(flows_l_s) or len(stages_m) < _LEAST_PAIRS:
        msg = f"{len(stages_m)} levels and {len(flows_l_s)} flows: give as many of both, {_LEAST_PAIRS} pairs or more"
        raise RatingError(msg)
    levels, logs = np.array(stages_m), np.log(np.array(flows_l_s))
    span = float(np.ptp(levels))
    if span <= 0 or np.unique(levels).size < _LEAST_PAIRS:
        msg = f"the levels are the same or nearly: gauge at {_LEAST_PAIRS} that differ"
        raise RatingError(msg)
    if float(np.corrcoef(levels, logs)[0, 1]) <= 0:
        msg = "the flows do not rise with the levels: a pair is swapped, or debris lay on the crest"
        raise RatingError(msg)
    lowest = float(levels.min())

    def left(below: float) -> float:
        return float(_line(levels, logs, lowest - below)[2])

    grid = span * np.geomspace(_NEAREST, _FARTHEST, _GRID)
    best = int(np.argmin([left(below) for below in grid]))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _GRID - 1)])
    for _ in range(_ROUNDS):
        first, second = high - _GOLD * (high - low), low + _GOLD * (high - low)
        if left(first) < left(second):
            high = second
        else:
            low = first
    zero = lowest - 0.5 * (low + high)
    log_a, b, squares = _line(levels, logs, zero)
    if not LEAST_EXPONENT <= b <= MOST_EXPONENT:
        msg = f"the pairs give an exponent of {b:.1f}: weirs and channels lie from 1.5 to 3; look at the lowest pair"
        raise RatingError(msg)
    depth = levels - zero
    slopes = np.column_stack((np.ones(levels.size), -b / depth, np.log(depth)))
    variance = float(squares) / (levels.size - _CONSTANTS)
    covariance = variance * np.linalg.pinv(slopes.T @ slopes)
    return Rating(
        a=float(np.exp(log_a)),
        zero_m=zero,
        b=float(b),
        from_m=lowest,
        to_m=float(levels.max()),
        scatter=variance**0.5,
        covariance=tuple(tuple(float(one) for one in row) for row in covariance),
        pairs=levels.size,
    )


def _line(levels: NDArray[np.float64], logs: NDArray[np.float64], zero: float) -> tuple[float, float, float]:
    """Return intercept, slope and the sum of squares left of ln Q over ln (h - h0)."""
    x = np.log(levels - zero)
    middle_x, middle_y = x.mean(), logs.mean()
    b = float(((x - middle_x) * (logs - middle_y)).sum() / ((x - middle_x) ** 2).sum())
    log_a = float(middle_y - b * middle_x)
    return log_a, b, float(((logs - log_a - b * x) ** 2).sum())
