"""A turning shaft with magnets, and the pickup's pulses looked at ten times a second, as the sampler does."""

from __future__ import annotations

import importlib
from array import array
from dataclasses import dataclass, field
from typing import Any, Final

WRAP: Final = 1 << 30
_STEP_US: Final = 100_000

pulses: Any = importlib.import_module("node.pulses")


def passages(spacing_deg: list[float], rpm: float, begin_s: float, end_s: float) -> list[float]:
    """Return when magnets pass [s] at a steady speed; the first passes at `begin_s`."""
    times = []
    at_s = begin_s
    while at_s <= end_s:
        times.append(at_s)
        at_s += spacing_deg[(len(times) - 1) % len(spacing_deg)] / (6 * rpm)
    return times


@dataclass
class Look:
    """What the pickup said at one moment."""

    at_s: float
    mrpm: int | None
    standing: bool
    edge_gap_ms: int | None


@dataclass
class Pickup:
    """A `Wheel` of the firmware, fed with passages; `from_us` is what the board's ticks are at time 0."""

    magnets: int
    fastest_rpm: int = 120
    from_us: int = 0
    now_us: int = 0
    looks: list[Look] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.wheel: Any = pulses.Wheel(self.magnets, self.fastest_rpm, 0)

    def run(self, times_s: list[float], until_s: float) -> list[Look]:
        """Let the passages happen until a moment; return what was said since the last call."""
        waiting = [round(at_s * 1e6) for at_s in times_s]
        first = len(self.looks)
        while self.now_us < until_s * 1e6:
            self.now_us += _STEP_US
            due = array("I", [(at + self.from_us) % WRAP for at in waiting if at <= self.now_us])
            del waiting[: len(due)]
            self.wheel.update(due, len(due), (self.now_us + self.from_us) % WRAP, self.now_us // 1000)
            self.looks.append(
                Look(self.now_us / 1e6, self.wheel.mrpm, self.wheel.standing, self.wheel.edge_gap_ms)
            )
        return self.looks[first:]
