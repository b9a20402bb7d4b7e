"""What a small household takes from the battery, minute by minute: a day's habits, from a seed.

Every change falls on a whole minute, so that loads do not switch inside a record of 10 s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.twin.fast.columns import chance

if TYPE_CHECKING:
    from wheelpit.twin.fast.columns import Floats

MINUTES: Final = 1440
_SHORTEST_DAY: Final = 355  # of the year


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """The loads of a household, all behind its inverter [W], and when they are on [h].

    Args:
        base_w: What always runs beside the inverter's idle: the host and the node.
        cold_box_w: A cold box that cycles, on for a third of the time.
        lamps_w: Lamps in the evening, and in winter before breakfast.
        desk_w: What is used in the evening beside the lamps.
        pot_w: An electric pot, three times a day ...
        pot_min: ... for so many minutes.
        wash_w: A washing machine, every fifth day ...
        wash_min: ... for so many minutes.
        thrifty_below: State of charge below which people notice and hold back ...
        thrifty_share: ... to so much of what is over idle and base.
    """

    base_w: float = 5.0
    cold_box_w: float = 30.0
    lamps_w: float = 24.0
    desk_w: float = 32.0
    pot_w: float = 260.0
    pot_min: int = 5
    wash_w: float = 180.0
    wash_min: int = 45
    thrifty_below: float = 0.5
    thrifty_share: float = 0.35


def day_of_loads(habits: Habits, idle_w: float, seed: int, ordinal: int, day_of_year: int) -> Floats:
    """Return the loads of one day [W], a value a minute from midnight UTC.

    Args:
        habits: The household.
        idle_w: What the inverter takes without a load.
        seed: Seed of all chance.
        ordinal: Number of the day (`date.toordinal`), which makes it differ from others.
        day_of_year: Where in the year it lies, 1 to 366: evenings are darker in winter.
    """
    rng = chance(seed, "household", ordinal)
    load_w = np.full(MINUTES, idle_w + habits.base_w)
    dark = 0.5 * (1 + math.cos(2 * math.pi * (day_of_year - _SHORTEST_DAY) / 365.25))

    period_min = int(rng.integers(32, 42))
    phase_min = int(rng.integers(0, period_min))
    load_w += habits.cold_box_w * ((np.arange(MINUTES) + phase_min) % period_min < period_min // 3)

    def on(begin_h: float, hours: float, watts: float, play_h: float = 0.4) -> None:
        begin = round(60 * (begin_h + rng.normal(0, play_h)))
        load_w[max(begin, 0) : max(begin + round(60 * hours), 0)] += watts

    on(21.0 - 4.6 * dark, 2.0 + 4.6 * dark, habits.lamps_w)
    on(6.6, 0.4 + 1.6 * dark, habits.lamps_w)
    on(18.5, 4.0, habits.desk_w)
    for hour in (7.0, 12.5, 16.5):
        on(hour, habits.pot_min / 60, habits.pot_w, 0.7)
    if rng.random() < 1 / 5:
        on(10.5, habits.wash_min / 60, habits.wash_w, 1.5)
    return load_w
