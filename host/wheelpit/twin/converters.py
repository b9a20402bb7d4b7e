"""What sits between the bridge's capacitor and the battery node: a converter of one of two kinds, or a cable.

Each decides at the beginning of a step whether it runs, and then tells for any voltage of the capacitor what it takes,
as straight lines joined, so that the step's equation is solved within a few tries.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Protocol

from wheelpit.plant.description import FixedConverter, FoldBackConverter

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

_FORCED: Final = 1.2


class Taker(Protocol):
    """What takes current from the capacitor."""

    @property
    def runs(self) -> bool:
        """Whether it takes current at a sufficient voltage."""
        ...

    def begin(self, dt: float, input_v: float, battery_v: float, cap_w: float, *, works: bool) -> None:
        """Decide how it is in the coming step.

        Args:
            dt: Length of the step [s].
            input_v: Voltage of the capacitor [V].
            battery_v: Battery voltage [V].
            cap_w: Most that the battery node takes [W].
            works: Whether it works, and nothing is open before or behind it.
        """
        ...

    def taken(self, volts: float) -> tuple[float, float]:
        """Return the current at a voltage of the capacitor [A], and its slope there [S]."""
        ...

    def given_w(self, volts: float, amps: float) -> float:
        """Return the power that comes out for a current taken at a voltage [W]."""
        ...


class FoldBack:
    """Takes only as much as keeps its input above a set voltage, up to its output limit."""

    __slots__ = ("_a_per_v", "_efficiency", "_largest_a", "_output_limit_a", "_start_v", "_stop_v", "runs")

    def __init__(self, told: FoldBackConverter) -> None:
        self._start_v = told.start_v
        self._stop_v = told.stop_v
        self._a_per_v = told.a_per_v
        self._efficiency = told.efficiency
        self._output_limit_a = told.output_limit_a
        self._largest_a = 0.0
        self.runs = False

    def begin(self, dt: float, input_v: float, battery_v: float, cap_w: float, *, works: bool) -> None:  # noqa: ARG002, D102 - see `Taker`
        if not works or input_v < self._stop_v:
            self.runs = False
            return
        if input_v >= self._start_v:
            self.runs = True
        most_w = self._output_limit_a * battery_v
        self._largest_a = min(most_w, cap_w) / (self._efficiency * input_v)

    def taken(self, volts: float) -> tuple[float, float]:
        """See `Taker`."""
        if not self.runs or volts <= self._start_v:
            return 0.0, 0.0
        amps = self._a_per_v * (volts - self._start_v)
        if amps > self._largest_a:
            return self._largest_a, 0.0
        return amps, self._a_per_v

    def given_w(self, volts: float, amps: float) -> float:
        """See `Taker`."""
        return self._efficiency * volts * amps


class Fixed:
    """Takes the power of its output limit whatever the voltage, until its lock-out stops it; then it waits.

    Args:
        start_v: Input voltage at which it starts [V].
        stop_v: Input voltage at which its lock-out stops it [V].
        restart_s: How long it waits before it starts again [s].
        output_limit_a: Output current to which it is set [A].
        efficiency: Output power over input power.
    """

    __slots__ = (
        "_efficiency", "_largest_a", "_output_limit_a", "_restart_s", "_start_v", "_stop_v", "_wait_s", "forced", "runs",
    )  # fmt: skip

    def __init__(
        self, *, start_v: float, stop_v: float, restart_s: float, output_limit_a: float, efficiency: float
    ) -> None:
        self._start_v = start_v
        self._stop_v = stop_v
        self._restart_s = restart_s
        self._efficiency = efficiency
        self._largest_a = 0.0
        self._wait_s = 0.0
        self._output_limit_a = output_limit_a
        self.forced = 1.0  # share of its limit that it takes
        self.runs = False

    def begin(self, dt: float, input_v: float, battery_v: float, cap_w: float, *, works: bool) -> None:
        """See `Taker`."""
        self._wait_s = max(self._wait_s - dt, 0.0)
        if not works or input_v < self._stop_v:
            if self.runs:
                self._wait_s = self._restart_s
            self.runs = False
        elif input_v >= self._start_v and not self._wait_s:
            self.runs = True
        most_w = min(self.forced * self._output_limit_a * battery_v, cap_w)
        self._largest_a = most_w / (self._efficiency * input_v) if self.runs else 0.0

    def taken(self, volts: float) -> tuple[float, float]:  # noqa: ARG002 - it takes its power of the last step's voltage
        """See `Taker`."""
        return self._largest_a, 0.0

    def given_w(self, volts: float, amps: float) -> float:
        """See `Taker`."""
        return self._efficiency * volts * amps


class Direct:
    """No converter: the bridge straight on the battery, through a cable and perhaps a series controller.

    A series controller lets no current back and takes the voltage that the battery must not have; without one the
    divider at the capacitor draws its trace from the battery when the wheel stands.
    """

    __slots__ = ("_battery_v", "_largest_a", "_one_way", "_siemens", "runs")

    def __init__(self, cable_ohm: float, *, one_way: bool) -> None:
        self._siemens = 1 / cable_ohm
        self._one_way = one_way
        self._battery_v = 0.0
        self._largest_a = math.inf
        self.runs = True

    def begin(self, dt: float, input_v: float, battery_v: float, cap_w: float, *, works: bool) -> None:  # noqa: ARG002, D102 - see `Taker`
        self.runs = works
        self._battery_v = battery_v
        self._largest_a = cap_w / battery_v

    def taken(self, volts: float) -> tuple[float, float]:
        """See `Taker`."""
        amps = (volts - self._battery_v) * self._siemens
        if not self.runs or (self._one_way and amps < 0):
            return 0.0, 0.0
        if amps > self._largest_a:
            return self._largest_a, 0.0
        return amps, self._siemens

    def given_w(self, volts: float, amps: float) -> float:
        """See `Taker`."""
        # Within a step the capacitor may begin on the other side of the battery's voltage; no cable gives energy.
        return amps * (min(self._battery_v, volts) if amps > 0 else max(self._battery_v, volts))


def converter_of(plant: Plant, assumptions: Assumptions) -> Taker:
    """Return the model of a plant's converter, or of the cable in its place."""
    told = plant.converter
    if isinstance(told, FoldBackConverter):
        return FoldBack(told)
    if isinstance(told, FixedConverter):
        return Fixed(
            start_v=told.start_v,
            stop_v=told.stop_v,
            restart_s=told.restart_s,
            output_limit_a=told.output_limit_a,
            efficiency=told.efficiency,
        )
    return Direct(assumptions.cable_ohm, one_way=plant.controller.topology == "series")


def forced_of(plant: Plant, assumptions: Assumptions) -> Fixed | None:
    """Return the converter as it is when it no longer folds back or is set too high; None without one.

    It then wants a fifth more than the alternator's rated power, or its own limit where that is more.
    """
    told = plant.converter
    if isinstance(told, FixedConverter):
        restart_s = told.restart_s
    elif isinstance(told, FoldBackConverter):
        restart_s = assumptions.forced_restart_s
    else:
        return None
    return Fixed(
        start_v=told.start_v,
        stop_v=told.stop_v,
        restart_s=restart_s,
        output_limit_a=max(told.output_limit_a, _FORCED * plant.alternator.rated_w / plant.battery.nominal_v),
        efficiency=told.efficiency,
    )
