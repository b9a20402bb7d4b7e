"""Magnets at the wheel's rim and the pickup that they pass."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import PickupSensor

if TYPE_CHECKING:
    import random

    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition

_BOUNCE_S: Final = 0.003
_ROCK_S: Final = 1.0
_LEAST_ROCK_S: Final = 0.3
_SWING_S: Final = (0.08, 0.25)


class Pickup:
    """Tells when each magnet passed, and what the pickup makes of it.

    Args:
        plant: The plant; without a pickup at the wheel nothing ever passes.
        assumptions: The twin's own figures.
        chance: Where the magnets' uneven places come from, and what is random about a bad pickup.
    """

    __slots__ = ("_chance", "_late_us", "_missed", "_next", "_places_rad", "_rocks_us", "next_rad")

    def __init__(self, plant: Plant, assumptions: Assumptions, chance: random.Random) -> None:
        sensor = plant.sensor("wheel_rpm")
        magnets = sensor.magnets if isinstance(sensor, PickupSensor) else 0
        self._chance = chance
        self._missed = 0.0
        self._late_us: list[int] = []  # edges that bouncing and rocking will give
        self._rocks_us: int | None = None  # when the wheel rocks next
        self._places_rad: list[float] = []
        for number in range(magnets):
            gap_rad = 2 * math.pi / magnets
            play_rad = min(math.radians(assumptions.magnet_play_deg), gap_rad / 4)
            self._places_rad.append((number + 0.5) * gap_rad + chance.uniform(-play_rad, play_rad))
        self._next = 0
        self.next_rad = self._places_rad[0] if magnets else math.inf

    def begin(self, angle_rad: float) -> None:
        """Begin at a wheel angle [rad]: the first magnet after it comes next."""
        if self._places_rad:
            self._next = math.floor(angle_rad / (2 * math.pi)) * len(self._places_rad)
            self.next_rad = self._place(self._next)
            while self.next_rad <= angle_rad:
                self._next += 1
                self.next_rad = self._place(self._next)

    def _place(self, number: int) -> float:
        turns, magnet = divmod(number, len(self._places_rad))
        return turns * 2 * math.pi + self._places_rad[magnet]

    def passed(self, angle_rad: float, before_rad_s: float, after_rad_s: float, dt: float) -> list[float]:
        """Return when magnets passed in a step of even acceleration, in seconds from its beginning.

        Args:
            angle_rad: The wheel's angle at the beginning.
            before_rad_s: Its speed then.
            after_rad_s: Its speed at the end.
            dt: Length of the step [s].
        """
        times: list[float] = []
        end_rad = angle_rad + 0.5 * (before_rad_s + after_rad_s) * dt
        acceleration = (after_rad_s - before_rad_s) / dt
        while self.next_rad <= end_rad:
            way_rad = self.next_rad - angle_rad
            root = math.sqrt(max(before_rad_s * before_rad_s + 2 * acceleration * way_rad, 0.0))
            if not self._misses():
                times.append(min(2 * way_rad / (before_rad_s + root), dt) if way_rad > 0 else 0.0)
            self._next += 1
            self.next_rad = self._place(self._next)
        return times

    def _misses(self) -> bool:
        """Tell whether the magnet that passes gives no edge: only the first one is ever loose."""
        loose = self._missed > 0 and self._next % len(self._places_rad) == 0
        return loose and self._chance.random() < self._missed

    def suffer(self, condition: Condition) -> None:
        """Take on a condition."""
        self._missed = condition.magnet_missed

    def given(
        self, edges_us: list[int], begin_us: int, end_us: int, condition: Condition, *, stands: bool
    ) -> list[int]:
        """Return the edges that the pickup gives in a frame, from those of the magnets.

        Args:
            edges_us: When magnets passed [us].
            begin_us: Beginning of the frame [us].
            end_us: Its end [us].
            condition: What is wrong.
            stands: Whether the wheel stands.
        """
        chance, late = self._chance, self._late_us
        if condition.bounce:
            for edge_us in edges_us:
                at_us = float(edge_us)
                for _ in range(int(condition.bounce + chance.random())):
                    at_us += 1e6 * chance.expovariate(1 / _BOUNCE_S)
                    late.append(round(at_us) + 1)
        if condition.rocking and stands and self._places_rad:
            if self._rocks_us is None:
                self._rocks_us = begin_us
            while self._rocks_us < end_us:
                rest_s = chance.expovariate(condition.rocking / _ROCK_S)
                self._rocks_us += round(1e6 * max(rest_s, _LEAST_ROCK_S))
                # The magnet swings past the pickup and back.
                late += [self._rocks_us, self._rocks_us + round(1e6 * chance.uniform(*_SWING_S))]
        else:
            self._rocks_us = None
        if late:
            edges_us = sorted({*edges_us, *(at_us for at_us in late if at_us <= end_us)})
            self._late_us = [at_us for at_us in late if at_us > end_us]
        dead = condition.sensors.get("wheel_rpm")
        return [] if dead is not None and dead.mode == "dead" else edges_us
