"""The pulses of the alternator's shaft: from a second pickup, or from one phase through an opto-coupler."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import PhaseSensor, PickupSensor

if TYPE_CHECKING:
    from wheelpit.plant import Plant

CHANNEL: Final = "alternator_rpm"


class FastShaft:
    """Gives a pulse for each magnet, or for each pole pair of a phase (f = p n / 60), evenly spaced.

    Args:
        plant: The plant; where nothing looks at the alternator's shaft it gives none.
    """

    __slots__ = ("_gap_rad", "_left_rad", "_pulses")

    def __init__(self, plant: Plant) -> None:
        sensor = plant.sensor(CHANNEL)
        per_turn = 0
        if isinstance(sensor, PickupSensor):
            per_turn = sensor.magnets
        elif isinstance(sensor, PhaseSensor):
            per_turn = plant.alternator.pole_pairs
        self._gap_rad = 2 * math.pi / per_turn if per_turn else math.inf
        self._left_rad = self._gap_rad
        self._pulses: list[int] = []

    def turned(self, angle_rad: float, begin_us: int, step_us: int) -> None:
        """Turn by an angle in a step: evenly, since a step is short beside any change of speed.

        Args:
            angle_rad: The angle, not negative [rad].
            begin_us: Beginning of the step [us].
            step_us: Its length [us].
        """
        at_rad = self._left_rad
        while at_rad <= angle_rad:
            self._pulses.append(begin_us + round(at_rad / angle_rad * step_us))
            at_rad += self._gap_rad
        self._left_rad = at_rad - angle_rad

    def take(self, *, dead: bool = False) -> tuple[int, ...]:
        """Return the pulses since the last call [us], none where the sensor is dead."""
        pulses = () if dead else tuple(self._pulses)
        self._pulses.clear()
        return pulses
