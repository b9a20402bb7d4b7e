"""The two engines that can play a scenario, behind one face: frames of what happens at the plant.

The dynamic one goes in frames of 50 ms and shows every transient; the steady one goes from one live message to the next, for hours and days.
"""

from __future__ import annotations

import dataclasses
import math
import random
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from wheelpit.plant.chain import RPM
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.orders import Gate, Load, Orders
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.faults import TWINS_OWN, fault_of
from wheelpit.twin.machine import FRAME_US, TwinPlant
from wheelpit.twin.pickup import Pickup
from wheelpit.twin.season import Weather
from wheelpit.twin.sensing import SensorSet

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from wheelpit.plant import Plant
    from wheelpit.twin.scenarios.description import Event, Scenario

_CHUNK_S: Final = 1800.0
_ASK_S: Final = 10.0
_STEADY: Final = "what always runs"


class Happened(NamedTuple):
    """One frame: its length and the edges in it [us], what the sensors show, the switch, the radio link."""

    span_us: int
    edges_us: list[int]
    shown: Mapping[str, float | None]
    parked: bool
    link_down: bool


class Engine(Protocol):
    """What plays the plant of a scenario."""

    def frames(self) -> Iterator[Happened]:
        """Yield what happens, frame by frame, to the end."""
        ...


def engine_of(scenario: Scenario, plant: Plant) -> Engine:
    """Return the engine that a scenario asks for."""
    return Dynamic(scenario, plant) if scenario.engine == "dynamic" else Steady(scenario, plant)


def twins_faults(scenario: Scenario, plant: Plant) -> tuple[Episode, ...]:
    """Return the faults that the twin itself carries out: those of plant, sensors and link."""
    return tuple(
        Episode(e.fault, e.at_s, e.severity, e.ramp_s, e.until_s)
        for e in scenario.events
        if e.fault is not None and fault_of(plant, e.fault)[0].where in TWINS_OWN
    )


class Stream:
    """The water of a scenario: straight lines between pairs of minute and flow, at an even temperature.

    Args:
        flow_l_s: A flow, or pairs of minute and flow [L/s].
        room_degc: Temperature of air and room [°C].
    """

    def __init__(self, flow_l_s: float | list[list[float]], room_degc: float) -> None:
        pairs = flow_l_s if isinstance(flow_l_s, list) else [[0.0, flow_l_s]]
        self._minutes = [pair[0] for pair in pairs]
        self._flows = [pair[1] for pair in pairs]
        self._degc = room_degc

    def at(self, t_s: float) -> Weather:
        """Return the weather so many seconds after the start."""
        minute = t_s / 60
        flow = self._flows[-1]
        for k, end in enumerate(self._minutes):
            if minute < end:
                before = max(k - 1, 0)
                begin = self._minutes[before]
                part = (minute - begin) / (end - begin) if end > begin else 0.0
                flow = self._flows[before] + max(part, 0.0) * (self._flows[k] - self._flows[before])
                break
        return Weather(flow, self._degc, max(self._degc, 0.5), self._degc, 0.0, 0.0)


class Dynamic:
    """A scenario on the dynamic twin.

    Args:
        scenario: The scenario.
        plant: Its plant.
    """

    def __init__(self, scenario: Scenario, plant: Plant) -> None:
        self._scenario = scenario
        self._twin = TwinPlant(
            plant,
            seed=scenario.seed,
            flow_l_s=plant.water.highest_flow_l_s,
            state_of_charge=scenario.state_of_charge,
            assumptions=dataclasses.replace(USUAL, room_degc=scenario.room_degc),
            source=Stream(scenario.flow_l_s, scenario.room_degc),
        )
        for episode in twins_faults(scenario, plant):
            self._twin.faults.plan(episode)

    def frames(self) -> Iterator[Happened]:
        """See `Engine`."""
        twin = self._twin
        due = sorted(self._scenario.events, key=lambda event: event.at_s)
        for _ in range(round(60 * self._scenario.minutes * 1e6 / FRAME_US)):
            while due and due[0].at_s * 1e6 <= twin.t_us:
                self._do(due.pop(0))
            begin_us = twin.t_us
            frame = twin.frame()
            edges = [at_us - begin_us for at_us in frame.edges]
            yield Happened(FRAME_US, edges, frame.shown, twin.parked, twin.condition.link_down)

    def _do(self, event: Event) -> None:
        if event.gate_l_s is not None:
            self._twin.river.order(event.gate_l_s)
        elif event.load is not None:
            self._twin.household.switch(event.load, event.watts)
        elif event.parked is not None:
            self._twin.parked = event.parked


class Steady:
    """A scenario on the fast twin, from one live message to the next.

    Args:
        scenario: The scenario.
        plant: Its plant.
    """

    def __init__(self, scenario: Scenario, plant: Plant) -> None:
        events = scenario.events
        self._length_s = 60 * scenario.minutes
        self._step_s = float(scenario.live_s)
        self._twin = FastTwin(
            plant,
            first_day=scenario.begins.date(),
            seed=scenario.seed,
            orders=Orders(
                faults=twins_faults(scenario, plant),
                gates=tuple(Gate(e.at_s, e.gate_l_s) for e in events if e.gate_l_s is not None),
                loads=(
                    Load(0.0, _STEADY, USUAL.steady_load_w),
                    *(Load(e.at_s, e.load, e.watts) for e in events if e.load is not None),
                ),
            ),
            source=Stream(scenario.flow_l_s, scenario.room_degc),
            assumptions=dataclasses.replace(USUAL, room_degc=scenario.room_degc),
            state_of_charge=scenario.state_of_charge,
            step_s=self._step_s,
            ask_s=_ASK_S,
        )
        self._switches = [(e.at_s, e.parked) for e in events if e.parked is not None]
        self._pickup = Pickup(plant, USUAL, random.Random(f"magnets {scenario.seed}"))  # noqa: S311 - no secret
        self._sensors = SensorSet(plant, scenario.seed, worse=0.0)
        self._angle_rad = 0.0
        self._speed_rad_s: float | None = None

    def frames(self) -> Iterator[Happened]:
        """See `Engine`."""
        done_s = 0.0
        while done_s < self._length_s:
            yield from self._chunk(min(_CHUNK_S, self._length_s - done_s))
            done_s += _CHUNK_S

    def _chunk(self, seconds: float) -> Iterator[Happened]:
        course = self._twin.run(seconds)
        span_us = round(self._step_s * 1e6)
        names = list(course.channels)
        columns = [column.tolist() for column in course.channels.values()]
        speeds = course.channels["wheel_rpm"]
        for stretch in course.stretches:
            part = course.part(stretch)
            self._pickup.suffer(stretch.condition)
            for place in range(part.start, part.stop):
                at_s = course.from_s + place * self._step_s
                mean = {name: column[place] for name, column in zip(names, columns, strict=True)}
                edges = self._turn(float(speeds[place]) * RPM)
                begin_us = round(at_s * 1e6)
                given = self._pickup.given(
                    [begin_us + edge for edge in edges],
                    begin_us,
                    begin_us + span_us,
                    stretch.condition,
                    stands=mean["wheel_rpm"] == 0,
                )
                yield Happened(
                    span_us,
                    [edge - begin_us for edge in given],
                    self._sensors.read(mean, stretch.condition.sensors),
                    self._parked(at_s),
                    stretch.condition.link_down,
                )

    def _turn(self, speed_rad_s: float) -> list[int]:
        """Turn the wheel by a step that ends at a speed, and return when magnets passed, from its beginning [us]."""
        before = speed_rad_s if self._speed_rad_s is None else self._speed_rad_s
        passed = self._pickup.passed(self._angle_rad, before, speed_rad_s, self._step_s)
        self._angle_rad += 0.5 * (before + speed_rad_s) * self._step_s
        self._speed_rad_s = speed_rad_s
        return [math.floor(at_s * 1e6) for at_s in passed]

    def _parked(self, at_s: float) -> bool:
        return next((on for begin_s, on in reversed(self._switches) if begin_s <= at_s), False)
