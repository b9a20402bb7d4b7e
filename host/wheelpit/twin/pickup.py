"""Magnets at the wheel's rim and the pickup that they pass."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wheelpit.plant.description import PickupSensor

if TYPE_CHECKING:
    import random

    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions


class Pickup:
    """Tells when each magnet passed.

    Args:
        plant: The plant; without a pickup at the wheel nothing ever passes.
        assumptions: The twin's own figures.
        chance: Where the magnets' uneven places come from.
    """

    __slots__ = ("_next", "_places_rad", "next_rad")

    def __init__(self, plant: Plant, assumptions: Assumptions, chance: random.Random) -> None:
        sensor = plant.sensor("wheel_rpm")
        magnets = sensor.magnets if isinstance(sensor, PickupSensor) else 0
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
            times.append(min(2 * way_rad / (before_rad_s + root), dt) if way_rad > 0 else 0.0)
            self._next += 1
            self.next_rad = self._place(self._next)
        return times
