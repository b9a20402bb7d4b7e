"""The method of bins: what depends on what, from a cloud of means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.physics.errors import require

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LEAST_FOR_SPREAD: Final = 2
_MOST_BINS: Final = 1_000_001


class Bins:
    """Bins of equal width, each with what fell into it; only those with any value.

    `x` and `y` are means of what fell in, `count` how many, `u` the standard uncertainty of the mean y, s / sqrt(N)
    (not-a-number for a single value), `spread` s itself.
    """

    __slots__ = ("count", "spread", "u", "width", "x", "y")

    def __init__(
        self,
        x: NDArray[np.float64],
        y: NDArray[np.float64],
        count: NDArray[np.int64],
        spread: NDArray[np.float64],
        width: float,
    ) -> None:
        self.x = x
        self.y = y
        self.count = count
        self.spread = spread
        self.u = spread / np.sqrt(count)
        self.width = width


def bin_means(x: NDArray[np.float64], y: NDArray[np.float64], width: float, first_edge: float = 0.0) -> Bins:
    """Means of x and y in bins of x, with the standard uncertainty of each mean.

    s^2 = sum (y - mean y)^2 / (N - 1), u = s / sqrt(N)

    Args:
        x: What is binned by [any unit].
        y: What depends on it [any unit].
        width: Width of a bin [unit of x].
        first_edge: An edge between two bins; the others lie whole widths away [unit of x].

    Returns:
        The bins that hold anything, in order of x [units of x and y].

    Limits:
        As many x as y, all finite; width above 0 and no less than a millionth of the range of x. A value on an edge belongs to the bin above it.

    Raises:
        PhysicsError: The width is too small, or the lengths differ.

    References:
        [1] IEC 61400-12-1, method of bins: mean of x and of y in each bin, category A uncertainty s / sqrt(N).
    """
    require("width", width, 1e-12, 1e12)
    require("number of y", y.size, x.size, x.size)
    if x.size == 0:
        empty = np.zeros(0)
        return Bins(empty, empty, np.zeros(0, np.int64), empty, width)
    number = np.floor((x - first_edge) / width).astype(np.int64)
    number -= number.min()
    require("number of bins", int(number.max()) + 1, 1, _MOST_BINS)
    held = np.bincount(number)
    some = held > 0  # bins that hold nothing are left out
    count = held[some]
    mean_x = np.bincount(number, x)[some] / count
    mean_y = np.zeros(held.size)
    mean_y[some] = np.bincount(number, y)[some] / count
    squares = np.bincount(number, (y - mean_y[number]) ** 2)[some]
    enough = count >= _LEAST_FOR_SPREAD
    spread = np.where(enough, np.sqrt(squares / np.maximum(count - 1, 1)), np.nan)
    return Bins(mean_x, mean_y[some], count, spread, width)
