"""What the plant of the soak gave, in whole numbers, and what a judge found in the books."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING, Final

import virtual_plant

if TYPE_CHECKING:
    from collections.abc import Callable

_SEGMENT_MS: Final = virtual_plant.SEGMENT_MS


class Truth:
    """What the plant gave between two moments, exactly."""

    def __init__(self, seed: int, begin_ms: int, end_ms: int) -> None:
        self._first = begin_ms // _SEGMENT_MS
        self._levels = [virtual_plant.level(seed, k) for k in range(self._first, end_ms // _SEGMENT_MS + 2)]
        self._sums = {
            name: [0, *accumulate(rate(*level) * _SEGMENT_MS for level in self._levels)]
            for name, rate in _RATES.items()
        }

    def between(self, name: str, begin_ms: int, end_ms: int) -> int:
        """Return the integral of a rate: nanojoules, or parts of an edge."""
        return self._upto(name, end_ms) - self._upto(name, begin_ms)

    def _upto(self, name: str, ms: int) -> int:
        k, left_ms = divmod(ms - self._first * _SEGMENT_MS, _SEGMENT_MS)
        return self._sums[name][k] + _RATES[name](*self._levels[k]) * left_ms


_RATES: Final[dict[str, Callable[[int, int, int], int]]] = {
    "charge": lambda mv, ma, _mrpm: mv * max(ma, 0),
    "charge_back": lambda mv, ma, _mrpm: mv * max(-ma, 0),
    "edges": lambda _mv, _ma, mrpm: mrpm * virtual_plant.MAGNETS,
}


@dataclass
class Verdict:
    """What was found. wrong: sentences; empty when the books are true."""

    wrong: list[str] = field(default_factory=list)
    rows: int = 0
    boots: int = 0
    booked_mwh: int = 0
    dark_ms: int = 0  # time without a record that the books declare
    off_ms: int = 0  # time without power
    unmeasured_ms: int = 0  # time in records in which the bus gave nothing
    stuck_ms: int = 0  # time in records in which it was stuck
    undated_ms: int = 0  # time in records of starts that never learned the time
