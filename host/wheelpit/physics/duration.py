"""How often a flow or a power is reached, and how much of what a machine could give it gave."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.physics.errors import PhysicsError, require

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_LEAST_VALUES: Final = 2


def exceedance_positions(count: int) -> NDArray[np.float64]:
    """Share of time for which each of so many values, sorted from the largest down, is equalled or exceeded.

    p = m / (n + 1), m = 1 .. n

    Args:
        count: Number of values n [-].

    Returns:
        Shares p, rising [-].

    Limits:
        1 to 10^8 values.

    Raises:
        PhysicsError: There is no value.

    References:
        [1] W. Weibull's plotting position, the usual one of hydrology.
        [2] J. K. Searcy, Flow-duration curves, USGS Water-Supply Paper 1542-A (1959): what such a curve means.
    """
    require("count", count, 1, 1e8)
    return np.arange(1, count + 1) / (count + 1.0)


def exceeded(values: NDArray[np.float64], shares: Sequence[float]) -> NDArray[np.float64]:
    """Value that is equalled or exceeded for each of some shares of the time.

    Sorted from the largest down the m-th of n values has p = m / (n + 1); between two of them a straight line, beyond
    the first and the last their value.

    Args:
        values: Equally weighted values, such as daily mean flows [any unit].
        shares: Shares of the time p [-].

    Returns:
        The values at those shares [the same unit].

    Limits:
        At least two finite values; shares 0 to 1. Beyond 1/(n + 1) and n/(n + 1) the curve says nothing of its own.

    Raises:
        PhysicsError: Fewer values, one that is not finite, or a share outside the limits.

    References:
        [1] As `exceedance_positions`.
    """
    require("number of values", values.size, _LEAST_VALUES, 1e8)
    if not np.isfinite(values).all():
        raise PhysicsError("values", float("nan"), -np.inf, np.inf)
    for share in shares:
        require("share", share, 0.0, 1.0)
    falling = np.sort(values)[::-1]
    found: NDArray[np.float64] = np.interp(shares, exceedance_positions(values.size), falling)
    return found


def capacity_factor(energy_wh: float, rated_w: float, hours: float) -> float:
    """Energy over what the rated power would give in the same time.

    f = E / (P t)

    Args:
        energy_wh: Energy E [Wh].
        rated_w: Rated power P [W].
        hours: Time t [h].

    Returns:
        Share f; above 1 only where the rating is too low [-].

    Limits:
        Energy 0 to 10^15 Wh; rated power 0.1 to 10^12 W; 0.001 to 10^7 h.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] US Energy Information Administration, glossary, "capacity factor".
    """
    require("energy_wh", energy_wh, 0.0, 1e15, "Wh")
    require("rated_w", rated_w, 0.1, 1e12, "W")
    require("hours", hours, 1e-3, 1e7, "h")
    return energy_wh / (rated_w * hours)
