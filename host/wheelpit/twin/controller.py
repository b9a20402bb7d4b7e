"""The charge controller: what voltage it holds, what it opens, what it turns on.

In series it opens the way to the battery so far that the voltage is held: what is not taken stays with the converter,
and the wheel is unloaded. With diversion it turns on a load beside the battery; where the shunt is after that load
("diversion-in-controller"), what is diverted never passes it. Some open the circuit now and then to test the source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.condition import Condition

_REFERENCE_DEGC: Final = 25.0
_HELD_V: Final = 0.05  # so near to its limit the controller counts the time as absorption


class ControllerModel:
    """State of the controller.

    `limit_v` is the voltage it holds now [V], `dump_s` and `held_s` the conductance of its load, that it may turn on and
    that is on whatever it does [S]; `opens` whether the way from the converter to the battery node is open.

    Args:
        plant: The plant.
        assumptions: The twin's own figures.
    """

    def __init__(self, plant: Plant, assumptions: Assumptions) -> None:
        controller = plant.controller
        scale = plant.battery.nominal_v / 12
        self._absorption_v = controller.absorption_v
        self._float_v = controller.float_v
        self._v_per_degc = controller.v_per_degc
        self._absorption_s = assumptions.absorption_s
        self._rebulk_v = assumptions.rebulk_v * scale
        self._every_s = controller.open_test_every_s or math.inf
        self._open_s = controller.open_test_s
        self._into_s = 0.0
        self._absorbed_s = 0.0
        self._whole_s = controller.dump_w / controller.absorption_v**2 if controller.dump_w else 0.0
        self.series = controller.topology == "series"
        self.inside = controller.topology == "diversion-in-controller"
        self._diversion = controller.topology.startswith("diversion")
        self.chopped = assumptions.dump_chopped
        self.limiter_dead = False
        self.fails_open = False
        self.dump_s = self._whole_s
        self.held_s = 0.0
        self.floats = False
        self.tests = False
        self.limit_v = 0.0

    @property
    def diverts(self) -> bool:
        """Whether it turns its load on when the voltage reaches the limit."""
        return self._diversion and not (self.limiter_dead or self.fails_open)

    @property
    def tapers(self) -> bool:
        """Whether it takes less when the voltage reaches the limit."""
        return self.series and not self.limiter_dead

    @property
    def opens(self) -> bool:
        """Whether nothing reaches the battery node: a test of the source, or a series controller that failed open."""
        return self.tests or (self.series and self.fails_open)

    def suffer(self, condition: Condition) -> None:
        """Take on a condition."""
        self.limiter_dead = condition.limiter_dead
        self.fails_open = condition.controller_open
        self.dump_s = self._whole_s * condition.dump_share
        self.held_s = self.dump_s * condition.dump_held

    def tend(self, seconds: float, battery_v: float, battery_degc: float) -> None:
        """Let so much time pass, at a battery voltage [V] and temperature [°C]."""
        set_v = self._float_v if self.floats else self._absorption_v
        self.limit_v = set_v + self._v_per_degc * (battery_degc - _REFERENCE_DEGC)
        if seconds == 0:
            return
        if self.floats:
            if battery_v < self._rebulk_v:
                self.floats = False
                self._absorbed_s = 0.0
        elif battery_v > self.limit_v - _HELD_V:
            self._absorbed_s += seconds
            self.floats = self._absorbed_s >= self._absorption_s
        self._into_s += seconds
        if self._into_s >= self._every_s:
            self._into_s -= self._every_s
            self.tests = True
        elif self.tests and self._into_s >= self._open_s:
            self.tests = False
