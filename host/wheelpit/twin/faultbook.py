"""Which faults a plant has, how severe they are by now, and what comes when: onset, ramp and clearing.

A fault moves from the severity it has to the one it is told, in an even ramp. One that is loose comes and goes at a
severity below 1: it is there for that share of every half minute.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.twin.condition import Condition
from wheelpit.twin.faults import TWINS_OWN, Fault, check_severity, fault_of
from wheelpit.twin.trouble import ElsewhereError, FaultError

if TYPE_CHECKING:
    from wheelpit.plant import Plant

_LOOSE_S: Final = 30.0
_RAMP_STEPS_S: Final = 0.25


class Episode(NamedTuple):
    """A fault planned ahead, in seconds of the twin's time: when it begins, how it grows, when it is put right."""

    name: str
    onset_s: float
    severity: float = 1.0
    ramp_s: float = 0.0
    cleared_s: float | None = None
    clear_ramp_s: float = 0.0


class _Move(NamedTuple):
    begin_s: float
    order: int
    name: str
    target: float
    ramp_s: float


@dataclass(slots=True)
class _Course:
    """A fault on its way from one severity to another."""

    fault: Fault
    channel: str
    from_level: float
    target: float
    begin_s: float
    ramp_s: float

    def level(self, t_s: float) -> float:
        if t_s >= self.begin_s + self.ramp_s:
            return self.target
        return self.from_level + (self.target - self.from_level) * (t_s - self.begin_s) / self.ramp_s

    def next_s(self, t_s: float) -> float:
        """Return when it changes next; never, where it holds."""
        ramping = t_s < self.begin_s + self.ramp_s
        level = self.level(t_s)
        if self.fault.loose and 0 < level < 1:
            into_s = t_s % _LOOSE_S
            edge_s = level * _LOOSE_S if into_s < level * _LOOSE_S else _LOOSE_S
            return t_s + min(edge_s - into_s, _RAMP_STEPS_S if ramping else math.inf)
        return min(t_s + _RAMP_STEPS_S, self.begin_s + self.ramp_s) if ramping else math.inf

    def present(self, t_s: float) -> bool:
        level = self.level(t_s)
        return t_s % _LOOSE_S < level * _LOOSE_S if self.fault.loose and level < 1 else level > 0


class FaultBook:
    """The faults of one plant over its time.

    `condition` is what they make of the plant now; it is a new object after every change.

    Args:
        plant: The plant.
    """

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._courses: dict[str, _Course] = {}
        self._moves: list[_Move] = []
        self._count = 0
        self._now_s = 0.0
        self._next_s = math.inf
        self.condition = Condition()

    def put(self, name: str, *, on: bool, severity: float = 1.0, ramp_s: float = 0.0) -> None:
        """Break something from now on, or put it right.

        Args:
            name: A fault's name, with `:channel` where it is of one sensor.
            on: Whether it is broken or put right.
            severity: How severe it gets, above 0 up to 1.
            ramp_s: How long it takes to get there, or to be right again [s].

        Raises:
            ElsewhereError: The fault is of a part that the twin does not run.
            FaultError: It is not known, the plant cannot have it, or a value is out of range.
        """
        check_severity(name, severity, ramp_s)
        self._enter(name, self._now_s, severity if on else 0.0, ramp_s)

    def plan(self, episode: Episode) -> None:
        """Plan a fault ahead; see `put` for what is refused, and it must not begin in the past."""
        if episode.onset_s < self._now_s:
            msg = f'fault "{episode.name}", onset {episode.onset_s:g} s: it is {self._now_s:g} s already'
            raise FaultError(msg)
        cleared_s = math.inf if episode.cleared_s is None else episode.cleared_s
        if cleared_s < episode.onset_s:
            msg = f'fault "{episode.name}", cleared at {cleared_s:g} s: before its onset at {episode.onset_s:g} s'
            raise FaultError(msg)
        check_severity(episode.name, episode.severity, episode.ramp_s)
        check_severity(episode.name, episode.severity, episode.clear_ramp_s)
        self._enter(episode.name, episode.onset_s, episode.severity, episode.ramp_s)
        if cleared_s < math.inf:
            self._enter(episode.name, cleared_s, 0.0, episode.clear_ramp_s)

    def _enter(self, name: str, begin_s: float, target: float, ramp_s: float) -> None:
        fault, _ = fault_of(self._plant, name)
        if fault.where not in TWINS_OWN:
            raise ElsewhereError(fault.name, fault.where, fault.remedy)
        self._count += 1
        heapq.heappush(self._moves, _Move(begin_s, self._count, name, target, ramp_s))
        self._next_s = min(self._next_s, begin_s)

    def tend(self, t_s: float) -> bool:
        """Let it be so late in the twin's time [s], and return whether the condition changed."""
        self._now_s = t_s
        if t_s < self._next_s:
            return False
        while self._moves and self._moves[0].begin_s <= t_s:
            self._begin(heapq.heappop(self._moves), t_s)
        self.condition = Condition()
        for name, course in list(self._courses.items()):
            level = course.level(t_s)
            if level == 0 == course.target:
                del self._courses[name]
            elif course.present(t_s) and course.fault.put:
                course.fault.put(self.condition, level, course.channel)
        self._next_s = self._moves[0].begin_s if self._moves else math.inf
        for course in self._courses.values():
            self._next_s = min(self._next_s, course.next_s(t_s))
        return True

    def _begin(self, move: _Move, t_s: float) -> None:
        fault, channel = fault_of(self._plant, move.name)
        before = self._courses.get(move.name)
        # A move that is due since a while has gone part of its way.
        from_level = before.level(move.begin_s) if before else 0.0
        self._courses[move.name] = _Course(
            fault, channel, from_level, move.target, min(move.begin_s, t_s), move.ramp_s
        )

    def present(self) -> dict[str, float]:
        """Return the faults that are there, come and go, or are on their way, with their severity by now."""
        return {name: course.level(self._now_s) for name, course in self._courses.items()}
