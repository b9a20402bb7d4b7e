"""When the level of a series changed, and whether that is more than its own restlessness."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from wheelpit.physics.errors import PhysicsError, require

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LEAST_VALUES: Final = 4
_MOST_MEMORY: Final = 0.97


class Change(NamedTuple):
    """One change of level: `place` is the number of the first value of the new level.

    `before` and `after` are the means of the two levels, `strength` how many standard uncertainties of their
    difference they lie apart, memory of the series counted in.
    """

    place: int
    before: float
    after: float
    strength: float


def memory_of(values: NDArray[np.float64]) -> float:
    """Correlation of a series with itself one value later.

    r = sum (x_i - m)(x_(i+1) - m) / sum (x_i - m)^2

    Args:
        values: The series [any unit].

    Returns:
        r, held between 0 and 0.97 [-].

    Limits:
        At least 4 finite values.

    Raises:
        PhysicsError: There are fewer, or one is not finite.

    References:
        [1] G. E. P. Box and G. M. Jenkins, Time Series Analysis, sample autocorrelation at lag 1.
    """
    _require_series(values)
    off = values - values.mean()
    total = float(off @ off)
    return min(max(float(off[:-1] @ off[1:]) / total, 0.0), _MOST_MEMORY) if total > 0 else 0.0


def change_of_level(values: NDArray[np.float64], least: int = 2, memory: float | None = None) -> Change:
    """Split of a series into two levels that leaves the least sum of squares.

    The strength is |b - a| / sqrt(s^2 k (1/n1 + 1/n2)) with s^2 the variance about the two levels and
    k = (1 + r) / (1 - r), by which memory r makes a mean of dependent values less sure.

    Args:
        values: The series, evenly spaced [any unit].
        least: The fewest values on either side [-].
        memory: Correlation r of neighbours; None to take it from the series about its two levels [-].

    Returns:
        The change [place -, levels in the unit of the series, strength -].

    Limits:
        At least 4 finite values and 2 * least; memory 0 to 0.97.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] One change in the mean by least squares; C. Truong, L. Oudre, N. Vayatis, Selective review of offline
            change point detection methods, Signal Processing 167 (2020), cost l2 with one break.
        [2] G. V. Bayley and J. M. Hammersley, The effective number of independent observations in an autocorrelated
            time series, J. R. Stat. Soc. Suppl. 8 (1946), for k.
    """
    _require_series(values)
    require("least", least, 1, values.size // 2)
    if memory is not None:
        require("memory", memory, 0.0, _MOST_MEMORY)
    count = values.size
    shifted = values - values.mean()  # so that the sums keep their digits
    sums = np.cumsum(shifted)
    total = float(sums[-1])
    ends = np.arange(1, count)
    # What a split takes off the sum of squares about one mean.
    gain = sums[:-1] ** 2 / ends + (total - sums[:-1]) ** 2 / (count - ends)
    allowed = slice(least - 1, count - least)
    place = least + int(np.argmax(gain[allowed]))
    levels = np.where(np.arange(count) < place, values[:place].mean(), values[place:].mean())
    rest = values - levels
    variance = float(rest @ rest) / max(count - 2, 1)
    r = memory_of(rest) if memory is None else memory
    before, after = float(levels[0]), float(levels[-1])
    u = np.sqrt(variance * (1 + r) / (1 - r) * (1 / place + 1 / (count - place)))
    strength = abs(after - before) / float(u) if u > 0 else (np.inf if after != before else 0.0)
    return Change(place, before, after, float(strength))


def _require_series(values: NDArray[np.float64]) -> None:
    require("number of values", values.size, _LEAST_VALUES, 1e8)
    if not np.isfinite(values).all():
        raise PhysicsError("values", float("nan"), -np.inf, np.inf)
