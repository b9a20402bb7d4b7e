"""What a scenario says: the typed form of its file, whose tables and keys have the same names here."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any, Final, Literal

Engine = Literal["dynamic", "steady"]

BEGINS: Final = dt.datetime(2026, 3, 3, 10, 0, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happens; one of `fault`, `gate_l_s`, `load` and `parked` says what.

    Args:
        at_s: When, from the beginning [s].
        what: The same in words.
        fault: A fault of the registry, with its channel where it has one ...
        severity: ... how severe it gets ...
        ramp_s: ... how long that takes [s] ...
        until_s: ... and when it is put right; None for not at all [s].
        gate_l_s: From now on the gate lets through so much [L/s].
        load: Something in the house is switched ...
        watts: ... and takes so much; 0 switches it off [W].
        parked: The switch at the wheel is turned.
    """

    at_s: float
    what: str
    fault: str | None = None
    severity: float = 1.0
    ramp_s: float = 0.0
    until_s: float | None = None
    gate_l_s: float | None = None
    load: str | None = None
    watts: float = 0.0
    parked: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Right:
    """An alarm that is right.

    Args:
        alarm: The condition's name.
        from_s: When what it tells of begins: its onset must not lie more than `early_s` before [s].
        within_s: How long after that it may be raised at the latest [s].
        early_s: How far before its onset may lie: it may be dated back to the last moment when all was seen well [s].
        cleared: Whether it must be over by the end.
        priority: The priority that it must have; None for any.
    """

    alarm: str
    from_s: float
    within_s: float
    early_s: float = 10.0
    cleared: bool = False
    priority: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One scenario.

    Args:
        name: The file's name without its end.
        title: What it is about, in a line.
        story: What happens and why the alarms are what they are.
        minutes: How long it lasts [min].
        normal_life: Whether it is ordinary life, in which nothing critical or high may be raised.
        engine: "dynamic", in steps of 5 ms, or "steady", from one live message to the next, for hours and days.
        begins: When, by the clock.
        seed: Seed of all that is random.
        flow_l_s: Flow that comes: a number, or pairs of minute and flow with straight lines between [L/s].
        state_of_charge: The bank's to begin with, 0 to 1.
        room_degc: Temperature where battery and alternator stand [°C].
        plant: Keys of the plant that differ from the demo's, as "controller.dump_w".
        live_s: How often a live message gets through; 1 is every one. A divisor of a minute, at most 10 [s].
        events: What happens.
        right: The alarms that are right; any other is false.
        false: Alarms that would be false, and why: the tempting ones.
        later: Alarms that would be right or are not yet avoided, and why nothing is asserted of them today.
    """

    name: str
    title: str
    story: str
    minutes: float
    normal_life: bool = False
    engine: Engine = "dynamic"
    begins: dt.datetime = BEGINS
    seed: int = 1
    flow_l_s: float | list[list[float]] = 10.0
    state_of_charge: float = 0.9
    room_degc: float = 15.0
    plant: dict[str, Any] = field(default_factory=dict)
    live_s: int = 1
    events: tuple[Event, ...] = ()
    right: tuple[Right, ...] = ()
    false: dict[str, str] = field(default_factory=dict)
    later: dict[str, str] = field(default_factory=dict)

    @property
    def faults(self) -> frozenset[str]:
        """The faults that occur, without their channels."""
        return frozenset(event.fault.partition(":")[0] for event in self.events if event.fault)
