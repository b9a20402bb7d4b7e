"""How much a battery gives at a current and a temperature."""

from __future__ import annotations

import math
from typing import Final

from wheelpit.physics.battery import between
from wheelpit.physics.errors import require

# Temperature of the acid [°C] and size correction KT [-] of a lead-acid battery: what is available is 1/KT.
_SIZE: Final = (
    (4.4, 1.30),
    (10.0, 1.19),
    (15.6, 1.11),
    (21.1, 1.04),
    (25.0, 1.00),
    (32.2, 0.94),
    (37.8, 0.91),
)
_COLDEST_DEGC: Final = -20.0
_HOTTEST_DEGC: Final = 60.0


def peukert_hours(capacity_ah: float, rated_h: float, current_a: float, exponent: float) -> float:
    """Time for which a full lead-acid battery gives a steady current.

    t = H (C / (I H))^k

    At the rated current it is the rated time: C / I^k, which is printed in places, is not.

    Args:
        capacity_ah: Capacity C at the rated time [Ah].
        rated_h: The rated time H of that capacity [h].
        current_a: The current I [A].
        exponent: Peukert's exponent k; 1 gives the same charge at any current [-].

    Returns:
        Time until it is empty [h].

    Limits:
        1 to 100 000 Ah at 0.5 to 200 h; 0.001 to 100 000 A; k 1 to 1.6. Fitted between about the 100 h and the 1 h
        rate, at one temperature; far below it promises more than there is.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] W. Peukert (1897), in the form for a capacity at a rated time: batterystuff.com, Peukert's law.
    """
    require("capacity_ah", capacity_ah, 1.0, 1e5, "Ah")
    require("rated_h", rated_h, 0.5, 200.0, "h")
    require("current_a", current_a, 0.001, 1e5, "A")
    require("exponent", exponent, 1.0, 1.6)
    return rated_h * math.pow(capacity_ah / (current_a * rated_h), exponent)


def peukert_exponent(first_ah: float, first_h: float, second_ah: float, second_h: float) -> float:
    """Peukert's exponent from two ratings of one battery.

    k = ln(t1 / t2) / ln(I2 / I1), I = C / t

    Args:
        first_ah: Capacity C1 at the longer time [Ah].
        first_h: The longer time t1 [h].
        second_ah: Capacity C2 at the shorter time, not more than C1 [Ah].
        second_h: The shorter time t2 [h].

    Returns:
        The exponent [-]; 1 where both capacities are the same.

    Limits:
        1 to 100 000 Ah; 0.1 to 200 h, the second shorter by a tenth at least; C2 from C1 / 3 to C1.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] Two equations of Peukert's law (see `peukert_hours`), solved for k.
    """
    require("first_ah", first_ah, 1.0, 1e5, "Ah")
    require("first_h", first_h, 0.1, 200.0, "h")
    require("second_h", second_h, 0.1, 0.9 * first_h, "h")
    require("second_ah", second_ah, first_ah / 3.0, first_ah, "Ah")
    current_ratio = (second_ah / second_h) / (first_ah / first_h)
    return math.log(first_h / second_h) / math.log(current_ratio)


def lead_capacity_share(temperature_degc: float) -> float:
    """Share of a lead-acid battery's capacity that it gives at a temperature; a cold one gives less.

    1 / KT, the table of [1], straight between its points and on beyond them

    Args:
        temperature_degc: Temperature of the acid [°C].

    Returns:
        Share of the capacity at 25 °C [-]; what is not given stays in it and comes when it is warm.

    Limits:
        -20 to 60 °C; the table ends at 4.4 and 37.8 °C, beyond it is a guess.

    Raises:
        PhysicsError: The value is outside the limits.

    References:
        [1] IEEE 485, table 1, size correction by temperature (values from memory).
    """
    require("temperature_degc", temperature_degc, _COLDEST_DEGC, _HOTTEST_DEGC, "°C")
    return 1.0 / between(_SIZE, temperature_degc)
