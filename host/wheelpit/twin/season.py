"""The year at the stream: rain and recession, frost and thaw, falling leaves; or flows that somebody measured.

A season is a pure function of its seed and of time: whatever is done to the plant, the water comes as it comes, so that
a run with a fault and one without have the same river. It is stepped by the hour and kept, and read between hours.
"""

from __future__ import annotations

import csv
import math
import random
from array import array
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence
    from pathlib import Path

_COLUMN: Final = "flow_l_s"
_HOUR_S: Final = 3600.0
_DAY_S: Final = 86_400.0
_YEAR_DAYS: Final = 365.25
_WARMEST_DAY: Final = 202.0  # of the year, in the northern half
_NOON_LAG_H: Final = 15.0

# The catchment, in round figures of a small upland stream that gives about 6 L/s on the median day.
_MEAN_DEGC: Final = 8.5
_SEASON_DEGC: Final = 6.5
_DAY_DEGC: Final = 3.0
_WEATHER_DEGC: Final = 3.2
_WEATHER_H: Final = 60.0
_WET_H: Final = 7.0
_DRY_H: Final = 40.0
_RAIN_MM_H: Final = 1.1
_SNOW_BELOW_DEGC: Final = 0.5
_MELT_MM_H_DEGC: Final = 0.12
_QUICK_SHARE: Final = 0.25
_QUICK_H: Final = 16.0
_SLOW_H: Final = 30 * 24.0
_L_S_PER_MM_H: Final = 78.5
_MEDIAN_L_S: Final = 6.0  # of these figures, over many years
_SHED_H: Final = 10.0
_SHED_OVER_DEGC: Final = 3.0
_WATER_H: Final = 30.0
_ICE_BELOW_DEGC: Final = -3.0
_ICE_PER_H_DEGC: Final = 0.012
_THAW_PER_H_DEGC: Final = 0.08
_LEAF_FIRST_DAY: Final = 283.0
_LEAF_LAST_DAY: Final = 332.0
_LEAF_PER_H: Final = 0.007
_LEAF_STORM_PER_H: Final = 0.06
_LEAF_MOST: Final = 0.7
_RAKED_H: Final = 9
_RAKED_FROM: Final = 0.25


class Weather(NamedTuple):
    """What is around the plant at a moment.

    Args:
        stream_l_s: Flow of the stream [L/s].
        air_degc: Temperature of the air [°C].
        water_degc: Temperature of the water [°C].
        room_degc: Temperature where the battery stands [°C].
        ice: How much of the wheel is iced, 0 to 1.
        leaves: Share of the flow that leaves on the rack keep back.
    """

    stream_l_s: float
    air_degc: float
    water_degc: float
    room_degc: float
    ice: float
    leaves: float


class Source(Protocol):
    """Where the water comes from: the weather at any time since the twin's start."""

    def at(self, t_s: float) -> Weather:
        """Return the weather so many seconds after the start."""
        ...


class DailyFlow:
    """A stream that was measured day by day: each day its mean, all day long.

    Args:
        daily_l_s: Mean flow of each day [L/s]; the twin starts at the beginning of the first.
        air_degc: Temperature of air and room, which the column does not tell [°C].
        water_degc: Temperature of the water [°C].

    Raises:
        TwinError: The column is empty, or a flow in it is negative or no number.
    """

    def __init__(
        self, daily_l_s: Sequence[float], *, air_degc: float = 10.0, water_degc: float = 8.0
    ) -> None:
        if not daily_l_s:
            raise TwinError("daily flows: none; give one for each day, in litres a second")
        for number, flow in enumerate(daily_l_s, 1):
            if not 0 <= flow < math.inf:
                msg = f"daily flows, day {number} = {flow:g}: give 0 or more litres a second"
                raise TwinError(msg)
        self._daily_l_s = array("d", daily_l_s)
        self._air_degc = air_degc
        self._water_degc = water_degc

    def at(self, t_s: float) -> Weather:
        """Return the weather so many seconds after the start; after the last day it stays as it was."""
        day = min(int(t_s // _DAY_S), len(self._daily_l_s) - 1)
        return Weather(self._daily_l_s[day], self._air_degc, self._water_degc, self._air_degc, 0.0, 0.0)


def read_daily_flow(path: Path) -> list[float]:
    """Read a column of daily mean flows [L/s]: the one headed `flow_l_s`, or the only one.

    Args:
        path: A text file of comma-separated values, or of one number a line; lines that begin with # are left out.

    Raises:
        TwinError: It cannot be read, has no such column, or a value is no number.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: cannot be read: {error}"
        raise TwinError(msg) from error
    rows = [row for row in csv.reader(line for line in lines if not line.startswith("#")) if row]
    column = 0
    if rows and _COLUMN in rows[0]:
        column = rows[0].index(_COLUMN)
        rows = rows[1:]
    elif rows and len(rows[0]) > 1:
        msg = f"{path}: which column? Head the one of the daily flows {_COLUMN}"
        raise TwinError(msg)
    flows: list[float] = []
    for number, row in enumerate(rows, 1):
        try:
            flows.append(float(row[column]))
        except (ValueError, IndexError):
            msg = f"{path}: day {number}: {','.join(row)!r} has no flow in litres a second"
            raise TwinError(msg) from None
    return flows


class Season:
    """A seeded year, and the next ones, of an upland stream of the northern half.

    Somebody rakes the rack in the morning when a quarter of the flow is kept back.

    Args:
        seed: Seed of rain, temperature and leaves.
        first_day: The day at whose midnight (UTC) the twin starts.
        median_l_s: About the median flow of the stream [L/s].
        rain_share: Rain over that of an ordinary year: 0.55 for a dry one, 1.35 for a wet one.
    """

    def __init__(
        self, seed: int, first_day: dt.date, *, median_l_s: float = 6.0, rain_share: float = 1.0
    ) -> None:
        self._random = random.Random(f"season {seed}")  # noqa: S311 - a simulation, no secret
        self._first_day = first_day.timetuple().tm_yday - 1 + _leap_shift(first_day)
        self._scale = median_l_s / _MEDIAN_L_S
        self._rain_share = rain_share
        self._hours: list[array[float]] = [array("d") for _ in Weather._fields]
        self._weather_degc = 0.0
        self._left_h = self._random.expovariate(1 / _DRY_H)
        self._wet = False
        self._rain_mm_h = 0.0
        self._snow_mm = 0.0
        # Begun as a wet or a dry time of the year leaves the ground.
        self._quick_mm_h = 0.0
        self._slow_mm_h = rain_share * _slow_usual(self._first_day)
        air = self._usual_degc(0)
        self._water_degc, self._shed_degc = max(air, 0.5), air + _SHED_OVER_DEGC
        self._ice = self._leaves = 0.0

    def at(self, t_s: float) -> Weather:
        """Return the weather so many seconds after the start."""
        hour = t_s / _HOUR_S
        first = int(hour)
        while len(self._hours[0]) < first + 2:
            self._step(len(self._hours[0]))
        part = hour - first
        return Weather(
            *(column[first] + part * (column[first + 1] - column[first]) for column in self._hours)
        )

    def _usual_degc(self, hour: int) -> float:
        day = self._first_day + hour / 24
        season = math.cos(2 * math.pi * (day - _WARMEST_DAY) / _YEAR_DAYS)
        daily = math.cos(2 * math.pi * (hour % 24 - _NOON_LAG_H) / 24)
        return _MEAN_DEGC + _SEASON_DEGC * season + _DAY_DEGC * (0.7 + 0.3 * season) * daily

    def _step(self, hour: int) -> None:
        chance = self._random
        self._weather_degc += -self._weather_degc / _WEATHER_H
        self._weather_degc += _WEATHER_DEGC * math.sqrt(2 / _WEATHER_H) * chance.gauss()
        air = self._usual_degc(hour) + self._weather_degc
        day = (self._first_day + hour / 24) % _YEAR_DAYS
        self._flow(self._rain(day), air, day)
        self._water_degc += (max(air, 0.1) - self._water_degc) / _WATER_H
        self._shed_degc += (air + _SHED_OVER_DEGC - self._shed_degc) / _SHED_H
        self._freeze(air)
        self._shed_leaves(hour, day)
        stream_l_s = (self._quick_mm_h + self._slow_mm_h) * _L_S_PER_MM_H * self._scale
        now = Weather(stream_l_s, air, self._water_degc, self._shed_degc, self._ice, self._leaves)
        for column, value in zip(self._hours, now, strict=True):
            column.append(value)

    def _rain(self, day: float) -> float:
        """Return the rain of an hour [mm]: spells of wet and dry, wetter towards the year's end."""
        self._left_h -= 1
        if self._left_h <= 0:
            self._wet = not self._wet
            self._left_h = self._random.expovariate(1 / (_WET_H if self._wet else _DRY_H))
            wetter = 1 - 0.3 * math.cos(2 * math.pi * (day - _WARMEST_DAY + 60) / _YEAR_DAYS)
            self._rain_mm_h = self._random.expovariate(1 / (_RAIN_MM_H * wetter)) if self._wet else 0.0
            self._rain_mm_h *= self._rain_share
        return self._rain_mm_h

    def _flow(self, rain_mm: float, air: float, day: float) -> None:
        """Lead the rain of an hour through snow and ground into the stream."""
        if air < _SNOW_BELOW_DEGC:
            self._snow_mm += rain_mm
            rain_mm = 0.0
        melt_mm = min(self._snow_mm, max(air, 0.0) * _MELT_MM_H_DEGC)
        self._snow_mm -= melt_mm
        # In summer most of it goes back into the air.
        reaches = 0.55 - 0.35 * math.cos(2 * math.pi * (day - _WARMEST_DAY) / _YEAR_DAYS)
        arriving = (rain_mm + melt_mm) * reaches
        self._quick_mm_h += (_QUICK_SHARE * arriving - self._quick_mm_h) / _QUICK_H
        self._slow_mm_h += ((1 - _QUICK_SHARE) * arriving - self._slow_mm_h) / _SLOW_H

    def _freeze(self, air: float) -> None:
        if air < _ICE_BELOW_DEGC:
            self._ice += (_ICE_BELOW_DEGC - air) * _ICE_PER_H_DEGC
        elif air > 0:
            self._ice -= air * _THAW_PER_H_DEGC
        self._ice = min(max(self._ice, 0.0), 1.0)

    def _shed_leaves(self, hour: int, day: float) -> None:
        if _LEAF_FIRST_DAY <= day <= _LEAF_LAST_DAY:
            per_h = _LEAF_STORM_PER_H if self._wet else _LEAF_PER_H
            self._leaves += per_h * 2 * self._random.random() * (1 - self._leaves / _LEAF_MOST)
        if hour % 24 == _RAKED_H and self._leaves > _RAKED_FROM:
            self._leaves = 0.0


def _leap_shift(day: dt.date) -> float:
    """Return by how much a day of the year lags behind the sun's, for the years since the last leap day."""
    return (day.year % 4) / 4 - 0.5


def _slow_usual(day: float) -> float:
    """Return what the ground gives at a day of the year in an ordinary year [mm/h]."""
    return 0.062 - 0.035 * math.cos(2 * math.pi * (day - _WARMEST_DAY - 35) / _YEAR_DAYS)
