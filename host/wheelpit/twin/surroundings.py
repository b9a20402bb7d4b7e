"""What the plant does not decide: how much water comes, and what the household switches on."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import LinearSensor
from wheelpit.plant.rating import notch_rating, rating_of
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.season import Source, Weather

MOST_FLOW_L_S: Final = 2000.0
_NOTCH_DEG: Final = 90.0
_LEAST_WANDER: Final = 0.2  # the wander never brings the flow below this share of what was ordered


def check_flow(flow_l_s: float) -> float:
    """Return a flow that may be ordered [L/s]; raise `TwinError` for one that may not."""
    if not 0 <= flow_l_s <= MOST_FLOW_L_S:
        msg = f"flow {flow_l_s:g} L/s: give 0 to {MOST_FLOW_L_S:g}"
        raise TwinError(msg)
    return flow_l_s


class River:
    """The flow to the wheel [L/s]: what was ordered at the gate, or what a season brings, with a slow seeded wander.

    `stream_l_s` is what the stream has, `flow_l_s` what reaches the wheel past gate and rack; `weather` is the source's,
    or None where the flow is only ordered. `rack_share` is the share that passes the rack.

    Args:
        assumptions: The twin's own figures.
        seed: Seed of the wander.
        flow_l_s: The flow to begin with; with a source, the most that the gate lets through [L/s].
        source: Where the water comes from; without one the stream is what is ordered.
    """

    __slots__ = (
        "_gate_s", "_random", "_source", "_t_s", "_wander", "_wander_s", "_wander_share", "flow_l_s", "ordered_l_s",
        "rack_share", "stream_l_s", "weather",
    )  # fmt: skip

    def __init__(
        self, assumptions: Assumptions, seed: int, flow_l_s: float, source: Source | None = None
    ) -> None:
        self._random = random.Random(f"river {seed}")  # noqa: S311 - a simulation, no secret
        self._gate_s = assumptions.gate_s
        self._wander_s = assumptions.wander_s
        self._wander_share = assumptions.wander_share
        self._wander = 0.0
        self._source = source
        self._t_s = 0.0
        self.rack_share = 1.0
        self.ordered_l_s = check_flow(flow_l_s)
        self.weather: Weather | None = None if source is None else source.at(0.0)
        self.stream_l_s = self._stream()
        self.flow_l_s = self._wanted()

    def order(self, flow_l_s: float) -> None:
        """Set the gate to another mean flow [L/s]; it takes a few seconds to arrive."""
        self.ordered_l_s = check_flow(flow_l_s)

    def _stream(self) -> float:
        mean_l_s = self.ordered_l_s if self.weather is None else self.weather.stream_l_s
        return mean_l_s * max(_LEAST_WANDER, 1 + self._wander)

    def _wanted(self) -> float:
        if self.weather is None:
            return self.stream_l_s * self.rack_share
        return min(self.stream_l_s, self.ordered_l_s) * self.rack_share * (1 - self.weather.leaves)

    def tend(self, seconds: float) -> None:
        """Let so much time pass."""
        step = seconds / self._wander_s
        self._wander += -self._wander * step + self._wander_share * math.sqrt(2 * step) * self._random.gauss()
        self._t_s += seconds
        if self._source is not None:
            self.weather = self._source.at(self._t_s)
        self.stream_l_s = self._stream()
        self.flow_l_s += (self._wanted() - self.flow_l_s) * (1 - math.exp(-seconds / self._gate_s))


class Weir:
    """The level before the weir [m] at a flow over it: as the plant rates it, by a right-angled notch where it does not.

    Args:
        plant: The plant; its `stage_m` sensor tells whether the weir stands at the wheel or in the stream.
        gravity_m_s2: Local gravity [m/s²].
    """

    __slots__ = ("_in_stream", "_rating")

    def __init__(self, plant: Plant, gravity_m_s2: float) -> None:
        self._rating = rating_of(plant) or notch_rating(_NOTCH_DEG, gravity_m_s2)
        sensor = plant.sensor("stage_m")
        self._in_stream = isinstance(sensor, LinearSensor) and sensor.at == "stream"

    def stage_m(self, river: River, debris_m: float) -> float:
        """Return the level before the weir, which debris on its crest lifts [m]."""
        return self._rating.stage_m(river.stream_l_s if self._in_stream else river.flow_l_s) + debris_m


class Household:
    """The power that inverter and loads want [W]: idle, a steady part, and a lamp that goes on and off.

    Args:
        assumptions: The twin's own figures.
        seed: Seed of the lamp.
        idle_w: What the inverter takes without a load.
    """

    __slots__ = (
        "_lamp_off_s",
        "_lamp_on",
        "_lamp_on_s",
        "_lamp_w",
        "_left_s",
        "_random",
        "_steady_w",
        "_switched",
        "load_w",
    )

    def __init__(self, assumptions: Assumptions, seed: int, idle_w: float) -> None:
        self._random = random.Random(f"household {seed}")  # noqa: S311 - a simulation, no secret
        self._steady_w = idle_w + assumptions.steady_load_w
        self._lamp_w = assumptions.lamp_w
        self._lamp_on_s = assumptions.lamp_on_s
        self._lamp_off_s = assumptions.lamp_off_s
        self._lamp_on = False
        self._left_s = self._random.expovariate(1 / self._lamp_off_s)
        self._switched: dict[str, float] = {}
        self.load_w = self._steady_w

    def switch(self, what: str, watts: float) -> None:
        """Switch on something that takes so much [W], such as a kettle, or off again with 0."""
        self._switched[what] = watts
        self._sum()

    def _sum(self) -> None:
        lamp_w = self._lamp_w if self._lamp_on else 0.0
        self.load_w = self._steady_w + lamp_w + sum(self._switched.values())

    def tend(self, seconds: float) -> None:
        """Let so much time pass."""
        self._left_s -= seconds
        if self._left_s <= 0:
            self._lamp_on = not self._lamp_on
            mean_s = self._lamp_on_s if self._lamp_on else self._lamp_off_s
            self._left_s = self._random.expovariate(1 / mean_s)
            self._sum()
