"""What is around a plant at every step: weather by the hour with a wander of the stream, loads by the minute, levels."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from wheelpit.plant.chain import local_water
from wheelpit.plant.description import LinearSensor
from wheelpit.twin.fast.columns import chance, wander
from wheelpit.twin.fast.household import day_of_loads
from wheelpit.twin.season import Weather
from wheelpit.twin.surroundings import River, Weir

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.fast.columns import Floats
    from wheelpit.twin.fast.household import Habits
    from wheelpit.twin.season import Source

_MINUTE_S: Final = 60
_DAY_S: Final = 86_400
_LEAST_WANDER: Final = 0.2  # as in `surroundings`
_LEVELS: Final = 400


class Around(NamedTuple):
    """The weather at every step; see `season.Weather`."""

    stream_l_s: Floats
    air_degc: Floats
    water_degc: Floats
    room_degc: Floats
    ice: Floats
    leaves: Floats


class Surroundings:
    """Weather and household of a run, read off in order of time.

    Args:
        source: Where the water comes from.
        habits: The household; None for one that takes nothing but what is ordered.
        idle_w: What the inverter takes without a load [W].
        assumptions: The twin's own figures.
        seed: Seed of all chance.
        first_day: The day at whose midnight (UTC) time begins.
        step_s: Length of a step, a divisor of a minute [s].
        ask_s: How often the source is asked; between, lines are straight [s].
    """

    def __init__(
        self,
        source: Source,
        habits: Habits | None,
        idle_w: float,
        assumptions: Assumptions,
        *,
        seed: int,
        first_day: dt.date,
        step_s: float,
        ask_s: float,
    ) -> None:
        self._source = source
        self._habits = habits
        self._idle_w = idle_w
        self._assumptions = assumptions
        self._seed = seed
        self._first_day = first_day
        self._step_s = step_s
        self._ask_s = ask_s
        self._wander = 0.0

    def weather(self, from_s: float, count: int) -> Around:
        """Return the weather of so many steps; each time must come after the last one."""
        told = self._assumptions
        first = int(from_s // self._ask_s)
        last = int((from_s + count * self._step_s) // self._ask_s) + 1
        asked = np.array([self._source.at(number * self._ask_s) for number in range(first, last + 1)]).T
        place = (from_s + (np.arange(count) + 0.5) * self._step_s) / self._ask_s - first
        columns = [np.interp(place, np.arange(asked.shape[1]), row) for row in asked]
        around = Around(**dict(zip(Weather._fields, columns, strict=True)))
        # Chance of its own for every stretch: its beginning tells which.
        rng = chance(self._seed, "stream", int(from_s))
        going = wander(rng, count, step_s=self._step_s, time_s=told.wander_s, start=self._wander)
        self._wander = float(going[-1])
        swing = np.maximum(_LEAST_WANDER, 1 + told.wander_share * going)
        return around._replace(stream_l_s=around.stream_l_s * swing)

    def thrifty_w(self, loads_w: Floats, state_of_charge: float) -> Floats:
        """Return what is taken of those loads by people who see how full the battery is [W]."""
        habits = self._habits
        if habits is None or state_of_charge >= habits.thrifty_below:
            return loads_w
        always_w = self._idle_w + habits.base_w
        return always_w + habits.thrifty_share * (loads_w - always_w)

    def loads_w(self, from_s: float, count: int) -> Floats:
        """Return what the household wants at so many steps [W]."""
        if self._habits is None:
            return np.full(count, self._idle_w)
        first = int(from_s // _DAY_S)
        last = math.ceil((from_s + count * self._step_s) / _DAY_S)
        days = []
        for number in range(first, last):
            day = self._first_day + dt.timedelta(days=number)
            day_of_year = day.timetuple().tm_yday
            days.append(day_of_loads(self._habits, self._idle_w, self._seed, day.toordinal(), day_of_year))
        steps = np.repeat(np.concatenate(days), round(_MINUTE_S / self._step_s))
        begin = round((from_s - first * _DAY_S) / self._step_s)
        return steps[begin : begin + count]


class Levels:
    """The level before a plant's weir, for whole arrays; see `surroundings.Weir`.

    Args:
        plant: The plant.
        assumptions: The twin's own figures.
    """

    def __init__(self, plant: Plant, assumptions: Assumptions) -> None:
        weir = Weir(plant, local_water(plant)[1])
        self._flows_l_s = np.geomspace(1e-3, 10, _LEVELS) * plant.water.highest_flow_l_s
        rivers = (River(assumptions, 0, flow) for flow in self._flows_l_s.tolist())
        self._levels_m = np.array([weir.stage_m(river, 0.0) for river in rivers])
        sensor = plant.sensor("stage_m")
        self._in_stream = isinstance(sensor, LinearSensor) and sensor.at == "stream"

    def stage_m(self, stream_l_s: Floats, flow_l_s: Floats) -> Floats:
        """Return the level over the crest at flows of the stream and onto the wheel [m]."""
        shown: Floats = np.interp(
            stream_l_s if self._in_stream else flow_l_s, self._flows_l_s, self._levels_m
        )
        return shown
