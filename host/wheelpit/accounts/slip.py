"""Belt slip: the alternator's speed against the wheel's, and what the belt does in health at that load.

Without `alternator_rpm` no slip is claimed. A belt creeps a little in health, more under load; what lies beyond that is
slip, found within minutes of loaded running and dated to the record in which it began.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.baselines import LEAST_IN_BIN, Restart, good_rows, last_restart
from wheelpit.accounts.figure import Figure
from wheelpit.physics.binning import bin_means

if TYPE_CHECKING:
    from wheelpit.accounts.tenminutes import Floats, TenMinutes
    from wheelpit.plant.description import Plant

LOOK_S: Final = 360.0  # of loaded running that a claim asks for
_LIMIT: Final = 0.015  # beyond the healthy creep, over the look
_OVER: Final = 0.01  # a record lies out from here ...
_MOST_OF: Final = 0.8  # ... and so must most of the look
_GONE: Final = 0.007
_LOADED_SHARE: Final = 0.1  # of rated power
_BINS: Final = 12
_BEST_SHARE: Final = (
    80.0  # percentile: slip only ever lowers the ratio, so the upper rows are the healthy ones
)
_LEAST_H: Final = 24.0


@dataclass(frozen=True, slots=True)
class HealthyBelt:
    """Turns of the alternator per turn of the wheel in health, against the power given [W].

    Attributes:
        power_w: Where it is known, rising.
        ratio: The turns there.
        loaded_w: Power from which the belt counts as loaded.

    """

    power_w: Floats
    ratio: Floats
    loaded_w: float

    def slip(self, wheel_rpm: float, alternator_rpm: float, power_w: float) -> float:
        """Return the share of speed lost beyond the healthy creep at that load."""
        usual = float(np.interp(power_w, self.power_w, self.ratio))
        return 1.0 - alternator_rpm / (wheel_rpm * usual)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A slipping belt.

    Attributes:
        since_ms: When it began [Unix ms].
        found_ms: When it was surely seen [Unix ms].
        share: Share of speed that slips beyond the healthy creep.

    """

    since_ms: int
    found_ms: int
    share: Figure


def healthy_belt(ten: TenMinutes, plant: Plant, restarts: tuple[Restart, ...] = ()) -> HealthyBelt | None:
    """Learn a belt's healthy ratio against load; None without both speeds, or before a day of good running."""
    begin, _ = last_restart(ten, restarts)
    part = ten.part(begin, ten.size)
    if not (part.has("alternator_rpm") and part.has("wheel_rpm")):
        return None
    watts = part.power_w()
    good = good_rows(part) & np.isfinite(part["alternator_rpm"] + watts)
    if good.sum() < _LEAST_H * 6:
        return None
    turns = part["alternator_rpm"][good] / part["wheel_rpm"][good]
    power = watts[good]
    width = max(float(power.max()) / _BINS, 1e-6)
    bins = bin_means(power, turns, width)
    number = np.floor(power / width).astype(np.int64)
    places = np.unique(number)
    best = np.array([np.percentile(turns[number == place], _BEST_SHARE) for place in places])
    full = bins.count >= LEAST_IN_BIN
    loaded_w = _LOADED_SHARE * plant.alternator.rated_w
    return HealthyBelt(bins.x[full], best[full], loaded_w) if full.any() else None


class SlipWatch:
    """Follows one belt, record by record.

    Args:
        belt: What it does in health.

    `slip` is the slip that is there now, or None.
    """

    def __init__(self, belt: HealthyBelt) -> None:
        self._belt = belt
        self._look: deque[tuple[int, float, float]] = deque()
        self._loaded_s = 0.0
        self._since_ms: int | None = None
        self.slip: Slip | None = None

    def record(
        self,
        start_ms: int,
        end_ms: int,
        wheel_rpm: float | None,
        alternator_rpm: float | None,
        power_w: float | None,
    ) -> Slip | None:
        """Take a record's means, and return a slip when it is found; a record without load says nothing."""
        if wheel_rpm is None or alternator_rpm is None or power_w is None:
            return None
        if wheel_rpm <= 0 or power_w < self._belt.loaded_w:
            return None
        seconds = (end_ms - start_ms) / 1000
        excess = self._belt.slip(wheel_rpm, alternator_rpm, power_w)
        if excess < _OVER:
            self._since_ms = None
        elif self._since_ms is None:
            self._since_ms = start_ms
        self._look.append((start_ms, seconds, excess))
        self._loaded_s += seconds
        while self._loaded_s - self._look[0][1] >= LOOK_S:
            self._loaded_s -= self._look.popleft()[1]
        return self._judge(end_ms)

    def _judge(self, end_ms: int) -> Slip | None:
        if self._loaded_s < LOOK_S:
            return None
        mean = sum(s * excess for _, s, excess in self._look) / self._loaded_s
        if self.slip is not None:
            if mean < _GONE:
                self.slip = None
            return None
        over_s = sum(s for _, s, excess in self._look if excess >= _OVER)
        if mean < _LIMIT or over_s < _MOST_OF * self._loaded_s:
            return None
        squares = sum(s * (excess - mean) ** 2 for _, s, excess in self._look) / self._loaded_s
        u = math.sqrt(squares / len(self._look)) + 1e-4
        began = self._since_ms if self._since_ms is not None else self._look[0][0]
        note = (
            "beyond the healthy creep at this load; tension the belt with the water off and the wheel chocked"
        )
        self.slip = Slip(since_ms=began, found_ms=end_ms, share=Figure(value=mean, u=u, note=note))
        return self.slip
