"""Bridges over times in which a plant did not give what it could: a line from the power before to the power after.

How far such lines lie off is learned from the plant's own good times, by bridging stretches of the same length in which
the truth is known.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wheelpit.accounts.tenminutes import Flags, Floats

    Places = NDArray[np.int64]

LEAST_U: Final = 0.02
UNKNOWN_U: Final = 0.5  # of a bridge as long as none that could be tried
_AROUND: Final = 6  # rows before and after that tell the power to bridge from and to
_LENGTHS: Final = (1, 3, 6, 18, 36, 72, 144, 288, 720, 1440)
_TRIALS: Final = 150
_LEAST_TRIALS: Final = 20
_SIGMA: Final = 68.3  # percentile of the absolute error that a standard uncertainty stands for


def runs(flags: Flags) -> tuple[Places, Places]:
    """Return begin and end of every run of true values."""
    edge = np.diff(np.concatenate((np.zeros(1), flags.astype(np.float64), np.zeros(1))))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def _mean_around(watts: Floats, normal: Flags, first: Places, last: Places) -> Floats:
    """Return the mean power of the normal rows in each `[first, last)`; not-a-number where there is none."""
    sums = np.concatenate((np.zeros(1), np.cumsum(np.where(normal, np.nan_to_num(watts), 0.0))))
    counts = np.concatenate((np.zeros(1), np.cumsum(normal, dtype=np.float64)))
    lo, hi = np.clip(first, 0, normal.size), np.clip(last, 0, normal.size)
    with np.errstate(invalid="ignore"):
        found: Floats = (sums[hi] - sums[lo]) / (counts[hi] - counts[lo])
    return found


def bridged(watts: Floats, normal: Flags, begins: Places, ends: Places) -> Floats:
    """Return for every row of a run the line from the power before to the power after."""
    before = _mean_around(watts, normal, begins - _AROUND, begins)
    after = _mean_around(watts, normal, ends, ends + _AROUND)
    middle = float(np.median(watts[normal]))
    before, after = (
        np.where(np.isfinite(before), before, np.where(np.isfinite(after), after, middle)),
        np.where(np.isfinite(after), after, np.where(np.isfinite(before), before, middle)),
    )
    lengths = ends - begins
    place = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    share = (place + 0.5) / np.repeat(lengths, lengths)
    found = np.nan_to_num(watts)
    found[np.repeat(begins, lengths) + place] = np.repeat(before, lengths) * (1 - share) + share * np.repeat(
        after, lengths
    )
    return found


class BridgeU:
    """Relative standard uncertainty of a bridge over so many rows."""

    def __init__(self, lengths: list[int], shares: list[float]) -> None:
        self._lengths = np.log(np.array(lengths, float))
        self._shares = np.maximum.accumulate(np.array(shares, float)) if shares else np.zeros(0)
        self._longest = max(lengths, default=0)

    def __call__(self, rows: int) -> float:
        """Return it for a number of rows."""
        if rows > 2 * self._longest:
            return UNKNOWN_U
        return max(LEAST_U, float(np.interp(math.log(rows), self._lengths, self._shares)))


def bridge_uncertainty(watts: Floats, normal: Flags) -> BridgeU:
    """Try bridges over good times, where the truth is known, and learn how far they lie off."""
    lengths: list[int] = []
    shares: list[float] = []
    clean = np.concatenate((np.zeros(1), np.cumsum(normal, dtype=np.float64)))
    sums = np.concatenate((np.zeros(1), np.cumsum(np.nan_to_num(watts))))
    for length in _LENGTHS:
        whole = length + 2 * _AROUND
        if whole >= normal.size:
            break
        starts = np.flatnonzero(clean[whole:] - clean[:-whole] == whole)
        if starts.size < _LEAST_TRIALS:
            break
        starts = starts[np.linspace(0, starts.size - 1, _TRIALS).astype(int)]
        first, last = starts + _AROUND, starts + _AROUND + length
        truth = sums[last] - sums[first]
        ends_w = (sums[first] - sums[starts] + sums[last + _AROUND] - sums[last]) / _AROUND
        bridged = 0.5 * ends_w * length
        off = np.abs(bridged / np.maximum(truth, 1e-9) - 1)
        lengths.append(length)
        # A few long excursions must not hide in the tail.
        shares.append(max(float(np.percentile(off, _SIGMA)), float(np.percentile(off, 95)) / 2))
    return BridgeU(lengths, shares)
