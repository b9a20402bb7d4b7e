"""How sure a figure is: the rules of the GUM for what is read, declared, and worked out from both.

An example: a voltage read several times, and the resistor whose tolerance its maker prints.

    >>> volts = mean_and_u([5.007, 4.994, 5.005, 4.990, 4.999])
    >>> round(volts.value, 4), round(volts.u, 4)
    (4.999, 0.0032)
    >>> round(u_of_limits(10.0), 4)
    5.7735
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from wheelpit.physics.errors import require

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_MOST = 1e12


class Mean(NamedTuple):
    """A mean of readings and the standard uncertainty of that mean, both in the readings' unit."""

    value: float
    u: float


def u_of_limits(half_width: float) -> float:
    """Standard uncertainty of a value of which only the limits are known, such as a resistor's tolerance.

    u = a / sqrt(3)

    Args:
        half_width: Half a of the width between the limits [any unit].

    Returns:
        Standard uncertainty [the same unit].

    Limits:
        Not negative; every value between the limits is equally likely.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100:2008, 4.3.7, equation (7).
    """
    require("half_width", half_width, 0.0, _MOST)
    return half_width / math.sqrt(3.0)


def mean_and_u(readings: Sequence[float]) -> Mean:
    """Mean of repeated readings and its standard uncertainty (type A).

    u = s / sqrt(n)

    Args:
        readings: Independent readings of one quantity [any unit].

    Returns:
        Mean and its standard uncertainty [the same unit].

    Limits:
        2 readings or more, each finite.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100:2008, 4.2.1 to 4.2.3, equations (3) to (5).
    """
    require("number of readings", len(readings), 2, _MOST)
    for reading in readings:
        require("reading", reading, -_MOST, _MOST)
    mean = math.fsum(readings) / len(readings)
    squares = math.fsum((reading - mean) ** 2 for reading in readings)
    return Mean(mean, math.sqrt(squares / (len(readings) - 1) / len(readings)))


def correlation(first: Sequence[float], second: Sequence[float]) -> float:
    """Correlation coefficient of two quantities that were read together.

    Args:
        first: Readings of one [any unit].
        second: Readings of the other, in the same order [any unit].

    Returns:
        Coefficient r, -1 to 1 [-].

    Limits:
        As many of the one as of the other, 2 or more; neither without spread.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100:2008, 5.2.2 and 5.2.3, equations (14) and (17).
    """
    require("number of readings", len(first), 2, _MOST)
    require("number of readings of the second", len(second), len(first), len(first))
    one, two = mean_and_u(first), mean_and_u(second)
    require("spread of the first", one.u, math.nextafter(0.0, 1.0), _MOST)
    require("spread of the second", two.u, math.nextafter(0.0, 1.0), _MOST)
    together = math.fsum((a - one.value) * (b - two.value) for a, b in zip(first, second, strict=True))
    found = together / (len(first) * (len(first) - 1)) / (one.u * two.u)
    return max(-1.0, min(1.0, found))


def contributions(
    function: Callable[..., float], values: Sequence[float], uncertainties: Sequence[float]
) -> list[float]:
    """What each input adds to the uncertainty of a function's value: its sensitivity times its own uncertainty.

    c_i u_i = (f(.., x_i + u_i, ..) - f(.., x_i - u_i, ..)) / 2

    Args:
        function: The function f of the inputs [any unit].
        values: Best values x_i of the inputs [each in its unit].
        uncertainties: Standard uncertainties u_i of the inputs [each in its unit].

    Returns:
        Signed contributions, one for each input [the unit of f].

    Limits:
        As many uncertainties as values, none negative; f nearly straight over x_i +- u_i.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100:2008, 5.1.3, note 2.
    """
    require("number of uncertainties", len(uncertainties), len(values), len(values))
    found: list[float] = []
    for place, u in enumerate(uncertainties):
        require("uncertainty", u, 0.0, _MOST)
        above, below = list(values), list(values)
        above[place] += u
        below[place] -= u
        found.append((function(*above) - function(*below)) / 2)
    return found


def combined_u(parts: Sequence[float], correlations: Sequence[Sequence[float]] | None = None) -> float:
    """Combined standard uncertainty of contributions, which may be correlated.

    u^2 = sum over i and j of (c_i u_i)(c_j u_j) r_ij

    Args:
        parts: Signed contributions c_i u_i [any unit].
        correlations: Square table of the coefficients r_ij; None where all are independent [-].

    Returns:
        Combined standard uncertainty [the same unit].

    Limits:
        Coefficients from -1 to 1.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100:2008, 5.1.2 and 5.2.2, equations (10) and (16).
    """
    if correlations is None:
        for part in parts:
            require("contribution", part, -_MOST, _MOST)
        return math.sqrt(math.fsum(part * part for part in parts))
    require("rows of correlations", len(correlations), len(parts), len(parts))
    square = 0.0
    for one, row in zip(parts, correlations, strict=True):
        for two, r in zip(parts, row, strict=True):
            require("correlation", r, -1.0, 1.0)
            square += one * two * r
    return math.sqrt(max(0.0, square))


def chopping_share(resistance_ohm: float, mean_a: float, mean_v: float, variance_share: float) -> float:
    """How far mean voltage times mean current is off the mean power where the current is chopped.

    mean(V I) - mean(V) mean(I) = -R var(I), var(I) = k mean(I)^2; as a share of the power: R k mean(I) / mean(V)

    Args:
        resistance_ohm: Internal resistance R of what holds the voltage, cables included [ohm].
        mean_a: Mean current [A].
        mean_v: Mean voltage [V].
        variance_share: Share k: 0 for a smooth current, 1/2 for an inverter's full sine-squared swing, (1 - d)/d for a
            current that is switched on for the share d of the time [-].

    Returns:
        Share of the power [-].

    Limits:
        0 to 10 ohm, 0 to 10 000 A, 1 to 1000 V, share 0 to 100.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Variance of a product of two lines; a voltage that sags by R I.
    """
    require("resistance_ohm", resistance_ohm, 0.0, 10.0, "ohm")
    require("mean_a", mean_a, 0.0, 10_000.0, "A")
    require("mean_v", mean_v, 1.0, 1000.0, "V")
    require("variance_share", variance_share, 0.0, 100.0)
    return resistance_ohm * variance_share * mean_a / mean_v
