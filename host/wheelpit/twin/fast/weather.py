"""A year of rain, cold and stream at a small upland intake, hour by hour, from a seed.

Rain comes in storms, as a Poisson process whose rate and length follow the season. What the soil does not keep
runs into two linear reservoirs, one quick and one slow, so that the stream rises within hours, falls within days and
is carried through the summer by what seeps in. Figures are ours, round, for an invented catchment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.twin.fast.columns import chance, wander

if TYPE_CHECKING:
    from wheelpit.twin.fast.columns import Flags, Floats

HOURS: Final = 8784  # of a leap year; a common year leaves its last day unused

_L_S_PER_MM_H: Final = 1000 / 3.6  # of one square kilometre
_WETTEST_DAY: Final = 350  # of the year: the middle of December
_WARMEST_DAY: Final = 205  # the end of July
_FREEZES_DEGC: Final = -1.5  # air so cold for some hours ices the launder ...
_FREEZES_AFTER_H: Final = 6
_THAWS_DEGC: Final = 1.0  # ... and this warms it free again


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """What kind of year it is.

    Args:
        area_km2: Catchment above the intake.
        rain_share: Rain as a share of the usual year's.
        mean_degc: Mean air temperature [°C].
        season_degc: Half the difference between July and January [°C].
        weather_degc: Standard deviation of the weather's temperature [°C].
        least_l_s: What the springs give in any drought [L/s].
    """

    area_km2: float = 0.22
    rain_share: float = 1.0
    mean_degc: float = 7.5
    season_degc: float = 5.5
    weather_degc: float = 3.0
    least_l_s: float = 0.35


@dataclass(frozen=True, slots=True)
class Weather:
    """Hour by hour: rain [mm], air temperature [°C], flow of the stream [L/s], ice in the launder, leaves falling.

    `leaf_share` is how many leaves come down, 1 at the height of autumn.
    """

    rain_mm: Floats
    air_degc: Floats
    stream_l_s: Floats
    iced: Flags
    leaf_share: Floats


def weather_of(climate: Climate, seed: int, year: int) -> Weather:
    """Return a year of weather.

    Args:
        climate: What kind of year it is.
        seed: Seed of all chance.
        year: Which year: years of one seed differ.
    """
    day = np.arange(HOURS) / 24
    rain_mm = _rain(climate, seed, year, day)
    air_degc = _air(climate, seed, year, day)
    return Weather(
        rain_mm,
        air_degc,
        _stream(climate, rain_mm, air_degc, day),
        _iced(air_degc),
        np.exp(-(((day - 305) / 14) ** 2)),
    )


def _rain(climate: Climate, seed: int, year: int, day: Floats) -> Floats:
    rng = chance(seed, "rain", year)
    winter = 0.5 * (1 + np.cos(2 * math.pi * (day - _WETTEST_DAY) / 365.25))
    begins = rng.random(HOURS) < climate.rain_share * (1 / 75 + winter / 75)
    rain_mm = np.zeros(HOURS)
    for hour in np.flatnonzero(begins).tolist():
        # Summer storms are short and strong, winter ones long and steady.
        hours = 1 + int(rng.exponential(4 + 9 * winter[hour]))
        strength = rng.gamma(1.6, (1.35 - 0.5 * winter[hour]) / 1.6)
        there = rain_mm[hour : hour + hours]
        there += strength * rng.gamma(2.0, 0.5, there.size)
    return rain_mm


def _air(climate: Climate, seed: int, year: int, day: Floats) -> Floats:
    rng = chance(seed, "air", year)
    season = climate.season_degc * np.cos(2 * math.pi * (day - _WARMEST_DAY) / 365.25)
    summer = 0.5 * (1 + np.cos(2 * math.pi * (day - _WARMEST_DAY) / 365.25))
    daily = (1.5 + 3.0 * summer) * np.cos(2 * math.pi * (day - 15 / 24))
    weather = wander(rng, HOURS, step_s=3600, time_s=3 * 86_400, start=0.0)
    return climate.mean_degc + season + daily + climate.weather_degc * weather


def _stream(climate: Climate, rain_mm: Floats, air_degc: Floats, day: Floats) -> Floats:
    """Return the stream [L/s] from rain, through soil, a quick reservoir and a slow one."""
    demand_mm = np.maximum(0.0, 0.0065 * (air_degc - 1.0)) * (0.6 + 0.4 * np.cos(2 * math.pi * (day - 172) / 365.25))
    soil_mm, quick_mm, slow_mm = 55.0, 2.0, 45.0
    field_mm = 80.0
    out: list[float] = []
    for rain, wanted in zip(rain_mm.tolist(), demand_mm.tolist(), strict=True):
        share = soil_mm / field_mm
        runs = rain * share**2.5
        drains = 0.012 * max(0.0, soil_mm - 0.45 * field_mm) * share
        soil_mm = max(0.0, soil_mm + rain - runs - drains - wanted * min(1.0, share / 0.6))
        if soil_mm > field_mm:
            runs += soil_mm - field_mm
            soil_mm = field_mm
        quick_mm += runs + 0.35 * drains
        slow_mm += 0.65 * drains
        from_quick, from_slow = quick_mm / 14.0, slow_mm / (38 * 24.0)
        quick_mm -= from_quick
        slow_mm -= from_slow
        out.append(from_quick + from_slow)
    return climate.least_l_s + climate.area_km2 * _L_S_PER_MM_H * np.array(out)


def _iced(air_degc: Floats) -> Flags:
    """Return when ice holds the launder: after some hours of frost, until it is warm enough."""
    held, frost_h = False, 0
    iced: list[bool] = []
    for degc in air_degc.tolist():
        frost_h = frost_h + 1 if degc < _FREEZES_DEGC else 0
        held = frost_h >= _FREEZES_AFTER_H or (held and degc < _THAWS_DEGC)
        iced.append(held)
    return np.array(iced)
