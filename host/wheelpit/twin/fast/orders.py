"""What is done to a plant over its time: the gate, the loads, the switch at the wheel, and the faults, stretch by stretch."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.twin.faultbook import FaultBook
from wheelpit.twin.faults import TWINS_OWN, fault_of
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.plant import Plant
    from wheelpit.twin.condition import Condition
    from wheelpit.twin.faultbook import Episode

_RAMP_PARTS: Final = 6  # a fault on its way is taken in so many steps ...
_LONGEST_PART_S: Final = 7 * 86_400.0  # ... none of them longer ...
_WATER_PART_S: Final = 60.0  # ... and where it only keeps water back, in far more
_MOST_PARTS: Final = 600
_OF_WATER: Final = frozenset({"clogging", "weir-debris"})
# What happens at the pickup between two magnets is beyond a twin that steps in seconds.
_TOO_QUICK: Final = frozenset({"rocking", "lost-magnet", "pickup-bounce"})


class Gate(NamedTuple):
    """From a time on the gate lets through at most so much [s, L/s]."""

    at_s: float
    most_l_s: float


class Load(NamedTuple):
    """From a time on something takes so much; 0 is off [s, W]."""

    at_s: float
    name: str
    watts: float


class Parked(NamedTuple):
    """The wheel is parked by the switch at it, its gate shut [s]."""

    from_s: float
    to_s: float


class Outage(NamedTuple):
    """The node that makes the records has no supply [s]."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """Everything that is planned, in seconds of the twin's time."""

    faults: tuple[Episode, ...] = ()
    gates: tuple[Gate, ...] = ()
    loads: tuple[Load, ...] = ()
    parked: tuple[Parked, ...] = ()


NONE: Final = Orders()


@dataclass(slots=True)
class Stretch:
    """A stretch of time with one condition, one gate, one set of switched loads [s, L/s, W]."""

    from_s: float
    to_s: float
    condition: Condition
    present: dict[str, float]
    most_l_s: float
    extra_w: float
    parked: bool


@dataclass(slots=True)
class Plan:
    """Orders for one plant, read off in order of time.

    Args:
        plant: The plant.
        orders: What is planned.

    Raises:
        FaultError: A fault is not known, or the plant cannot have it.
        UnmodelledError: A fault works within moments, which the fast twin does not see.
    """

    plant: Plant
    orders: Orders
    _book: FaultBook = field(init=False)
    _cuts: list[float] = field(init=False)

    def __post_init__(self) -> None:
        self._book = FaultBook(self.plant)
        problems = []
        cuts = {0.0}
        for episode in self.orders.faults:
            fault, _ = fault_of(self.plant, episode.name)
            if fault.where not in TWINS_OWN:
                continue  # the records' part: see `records`
            if fault.name in _TOO_QUICK or (fault.loose and episode.severity < 1):
                problems.append(
                    f'fault "{episode.name}": it comes and goes within moments; run it on the dynamic twin'
                )
            self._book.plan(episode)
            cuts.update(_steps(fault.name, episode.onset_s, episode.ramp_s))
            if episode.cleared_s is not None:
                cuts.update(_steps(fault.name, episode.cleared_s, episode.clear_ramp_s))
        if problems:
            raise UnmodelledError(problems)
        cuts.update(gate.at_s for gate in self.orders.gates)
        cuts.update(load.at_s for load in self.orders.loads)
        for parked in self.orders.parked:
            cuts.update(parked)
        self._cuts = sorted(cuts)

    def stretches(self, from_s: float, to_s: float) -> Iterator[Stretch]:
        """Yield the stretches of a time, in order; each time must come after the last one."""
        inside = [cut for cut in self._cuts if from_s < cut < to_s]
        bounds = [from_s, *inside, to_s]
        for begin, end in pairwise(bounds):
            middle = 0.5 * (begin + end)
            self._book.tend(middle)
            yield Stretch(
                begin,
                end,
                self._book.condition,
                self._book.present(),
                self._gate(middle),
                self._load(middle),
                any(parked.from_s <= middle < parked.to_s for parked in self.orders.parked),
            )

    def _gate(self, t_s: float) -> float:
        most = math.inf
        for gate in self.orders.gates:
            if gate.at_s <= t_s:
                most = gate.most_l_s
        return most

    def _load(self, t_s: float) -> float:
        on: dict[str, float] = {}
        for load in self.orders.loads:
            if load.at_s <= t_s:
                on[load.name] = load.watts
        return sum(on.values())


def _steps(fault: str, begin_s: float, ramp_s: float) -> list[float]:
    """Return when a fault on its way is looked at anew [s]."""
    parts = max(_RAMP_PARTS, math.ceil(ramp_s / _LONGEST_PART_S)) if ramp_s else 1
    if ramp_s and fault in _OF_WATER:
        parts = min(math.ceil(ramp_s / _WATER_PART_S), _MOST_PARTS)
    return [begin_s + ramp_s * k / parts for k in range(parts + 1)]
