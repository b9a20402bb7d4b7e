"""What the plant does not decide: how much water comes, and what the household switches on."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING, Final

from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from wheelpit.twin.assumptions import Assumptions

MOST_FLOW_L_S: Final = 2000.0
_LEAST_WANDER: Final = 0.2  # the wander never brings the flow below this share of what was ordered


def check_flow(flow_l_s: float) -> float:
    """Return a flow that may be ordered [L/s]; raise `TwinError` for one that may not."""
    if not 0 <= flow_l_s <= MOST_FLOW_L_S:
        msg = f"flow {flow_l_s:g} L/s: give 0 to {MOST_FLOW_L_S:g}"
        raise TwinError(msg)
    return flow_l_s


class River:
    """The flow to the wheel [L/s]: what was ordered at the gate, with a slow seeded wander.

    Args:
        assumptions: The twin's own figures.
        seed: Seed of the wander.
        flow_l_s: The flow to begin with.
    """

    __slots__ = ("_gate_s", "_random", "_wander", "_wander_s", "_wander_share", "flow_l_s", "ordered_l_s")

    def __init__(self, assumptions: Assumptions, seed: int, flow_l_s: float) -> None:
        self._random = random.Random(f"river {seed}")  # noqa: S311 - a simulation, no secret
        self._gate_s = assumptions.gate_s
        self._wander_s = assumptions.wander_s
        self._wander_share = assumptions.wander_share
        self._wander = 0.0
        self.ordered_l_s = check_flow(flow_l_s)
        self.flow_l_s = self.ordered_l_s

    def order(self, flow_l_s: float) -> None:
        """Set the gate to another mean flow [L/s]; it takes a few seconds to arrive."""
        self.ordered_l_s = check_flow(flow_l_s)

    def tend(self, seconds: float) -> None:
        """Let so much time pass."""
        step = seconds / self._wander_s
        self._wander += -self._wander * step + self._wander_share * math.sqrt(2 * step) * self._random.gauss()
        wanted = self.ordered_l_s * max(_LEAST_WANDER, 1 + self._wander)
        self.flow_l_s += (wanted - self.flow_l_s) * (1 - math.exp(-seconds / self._gate_s))


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
        self.load_w = self._steady_w

    def tend(self, seconds: float) -> None:
        """Let so much time pass."""
        self._left_s -= seconds
        if self._left_s <= 0:
            self._lamp_on = not self._lamp_on
            mean_s = self._lamp_on_s if self._lamp_on else self._lamp_off_s
            self._left_s = self._random.expovariate(1 / mean_s)
            self.load_w = self._steady_w + (self._lamp_w if self._lamp_on else 0.0)
