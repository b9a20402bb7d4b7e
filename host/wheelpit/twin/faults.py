"""What can be broken in a running twin, and put right again.

To add a fault: make the part of the plant obey a flag, and enter the flag here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.twin.machine import TwinPlant


class Fault(NamedTuple):
    """One thing that can be broken: its name, what it does in a line, and how to set and read it."""

    name: str
    text: str
    put: Callable[[TwinPlant, bool], None]
    there: Callable[[TwinPlant], bool]


def _jam(plant: TwinPlant, on: bool) -> None:  # noqa: FBT001 - every fault is put by position
    plant.wheel.jammed = on


def _limiter(plant: TwinPlant, on: bool) -> None:  # noqa: FBT001
    plant.bank.limiter_failed = on


def _link(plant: TwinPlant, on: bool) -> None:  # noqa: FBT001
    plant.link_cut = on


def _load(plant: TwinPlant, on: bool) -> None:  # noqa: FBT001
    plant.bus.dead = on


FAULTS: Final[dict[str, Fault]] = {
    fault.name: fault
    for fault in (
        Fault("jam", "something holds the wheel; its buckets fill", _jam, lambda p: p.wheel.jammed),
        Fault("limiter", "nothing limits the battery's voltage", _limiter, lambda p: p.bank.limiter_failed),
        Fault("link", "the nodes' radio link is cut", _link, lambda p: p.link_cut),
        Fault("load", "the converter takes nothing; the wheel runs away", _load, lambda p: p.bus.dead),
    )
}


def put(plant: TwinPlant, name: str, *, on: bool) -> None:
    """Break something, or put it right; raise `TwinError` for a fault that is not known."""
    fault = FAULTS.get(name)
    if fault is None:
        msg = f'fault "{name}": not known; use one of {", ".join(FAULTS)}'
        raise TwinError(msg)
    fault.put(plant, on)


def present(plant: TwinPlant) -> dict[str, bool]:
    """Return which faults are there."""
    return {name: fault.there(plant) for name, fault in FAULTS.items()}
