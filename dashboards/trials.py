"""What can be broken in a simulated plant, and how the twin tells what became of it: pure functions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from wheelpit.twin.faults import FAULTS, TWINS_OWN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wheelpit.plant import Plant

# What stands in the table of what the plant is really like, by the twin's own word for it.
_TRUTH: Final = (
    ("wheel_rpm", "wheel speed", "rpm", 1),
    ("rectified_v", "voltage after the bridge", "V", 1),
    ("charge_a", "current from the charge controller", "A", 1),
    ("battery_v", "battery voltage", "V", 2),
    ("battery_a", "current into the battery", "A", 1),
    ("dump_a", "current into the diversion load", "A", 1),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing to break: the twin's name for it, what happens, and what its severity means ("" if none)."""

    name: str
    text: str
    severity: str

    @property
    def graded(self) -> bool:
        """Whether it comes in degrees."""
        return bool(self.severity)


def trials(plant: Plant) -> list[Trial]:
    """Return everything that this twin can break by itself, in the order of the list of faults."""
    found = []
    for fault in FAULTS.values():
        if fault.where not in TWINS_OWN:
            continue
        channels = sorted(plant.channels) if fault.per_channel else [""]
        for channel in channels:
            if fault.unfit and fault.unfit(plant, channel):
                continue
            name = f"{fault.name}:{channel}" if channel else fault.name
            text = f"{fault.text} ({channel})" if channel else fault.text
            found.append(Trial(name, text, "" if fault.severity.startswith("none") else fault.severity))
    return found


def truth(state: Mapping[str, Any]) -> list[str]:
    """Return what the plant is really like, a line each, from the twin's answer to `state`."""
    return [
        f"{label}: {state[name]:.{digits}f} {unit}"
        for name, label, unit, digits in _TRUTH
        if state.get(name) is not None
    ]


def standing(state: Mapping[str, Any]) -> dict[str, float]:
    """Return what is broken now, with its severity by now."""
    return {str(name): float(level) for name, level in state["faults"].items()}
