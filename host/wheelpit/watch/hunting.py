"""Hunting: converter and wheel chase each other, and speed or current swings without end.

The converter takes more than the water gives, the wheel slows, the converter lets go, the wheel gains speed, and it
begins again. Three things show it, and any of them is enough:

* The node counts, ten times a second, how often the current ceased while the wheel was above cut-out
  (`charge_flips`). Where the peaks between are small it is only a wheel near cut-in, whose buckets come unevenly.
* The current in the live messages falls to half of its peak and rises again.
* So does the speed, by a quarter. It is the mean of a turn, so quick swings do not show in it.

A wheel's buckets come a few a second, and live messages once a second: what they do seems to swing slowly. They do so
by a few per cent. So it is by its size that hunting is told from an ordinary wheel, and by going on for minutes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.watch.judgement import Judgement
from wheelpit.watch.machine import Verdict
from wheelpit.watch.motion import Motion

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live, Record
    from wheelpit.plant.limits import Limits
    from wheelpit.watch.motion import Seen

_MINUTE_MS: Final = 60_000
# Live messages come once a second; after a hole of this length what swung before is not continued.
_HOLE_MS: Final = 10_000
# A record is a minute long at most and comes soon after its end; an older one tells nothing of now.
_FRESH_MS: Final = 90_000
_BACKLOG_MS: Final = 3_600_000  # older records come from a backlog; no clock that is believed is so far out
_CURRENT_SHARE: Final = 0.5  # of the peak: so deep must a swing of the current be
_SPEED_SHARE: Final = 0.25  # and one of the speed
_OVER: Final = 0.5  # of the limit: fewer are no longer hunting
# Of the controllers that take less from a full battery, these do it by chopping the charging current.
CHOPPING: Final = ("series", "diversion-in-controller")


@dataclass(frozen=True, slots=True)
class Swinging:
    """How often something swung in the last minute.

    `per_min` is the most often of what is watched. `whole` is true where a whole minute was watched: without it few
    swings are no sign of rest. `since_ms` is how long ago the oldest of them was [ms].
    """

    per_min: float
    whole: bool
    since_ms: int


class Swings:
    """Counts how often a value fell by a share of its peak, and by `least` at least, and rose again as far."""

    def __init__(self, share: float, least: float) -> None:
        self._share = share
        self._least = least
        self._falls: deque[int] = deque()
        self.forget()

    def forget(self) -> None:
        """Begin again."""
        self._falls.clear()
        self._from_ms: int | None = None
        self._at_ms = 0
        self._peak = self._trough = 0.0
        self._falling = False

    def take(self, value: float | None, at_ms: int) -> None:
        """Take a value read at `at_ms` by the node's clock [ms]; None: it was not read."""
        if value is None:
            return
        if self._from_ms is None or not 0 <= at_ms - self._at_ms <= _HOLE_MS:
            self.forget()
            self._from_ms = at_ms
            self._peak = self._trough = value
        self._at_ms = at_ms
        if self._falling:
            self._trough = min(self._trough, value)
            if value - self._trough >= self._step(value):
                self._falling, self._peak = False, value
        else:
            self._peak = max(self._peak, value)
            if self._peak - value >= self._step(self._peak):
                self._falling, self._trough = True, value
                self._falls.append(at_ms)
        while self._falls and at_ms - self._falls[0] >= _MINUTE_MS:
            self._falls.popleft()

    def seen(self, now_ms: int) -> Swinging | None:
        """Return how often it swung in the last minute; None where it was not read of late."""
        if self._from_ms is None or now_ms - self._at_ms > _HOLE_MS:
            return None
        since_ms = now_ms - self._falls[0] if self._falls else 0
        return Swinging(len(self._falls), self._at_ms - self._from_ms >= _MINUTE_MS, since_ms)

    def _step(self, peak: float) -> float:
        return max(self._share * peak, self._least)


class _Dropouts:
    """Counts, from records, how often the current ceased though the wheel was fast enough."""

    def __init__(self, swing_a: float) -> None:
        self._swing_a = swing_a
        self._spans: deque[tuple[int, int, int]] = deque()  # end by the node's clock, length [ms], dropouts
        self._total: int | None = None

    def forget(self) -> None:
        self._spans.clear()
        self._total = None

    def take(self, record: Record) -> None:
        total = record.total.get("charge_flips")
        if total is None:
            self.forget()
            return
        # Of the first record of a boot only the rise is unknown, not the total.
        before, self._total = self._total, total
        if before is None or (self._spans and record.up_ms <= self._spans[-1][0]):
            self._spans.clear()
            return
        large = (record.max.get("charge_a") or 0.0) >= self._swing_a
        self._spans.append((record.up_ms, record.span_ms, max(0, total - before) if large else 0))
        while self._length_ms() - self._spans[0][1] >= _MINUTE_MS:
            self._spans.popleft()

    def seen(self, up_ms: int) -> Swinging | None:
        if not self._spans or not 0 <= up_ms - self._spans[-1][0] <= _FRESH_MS:
            return None
        length_ms = self._length_ms()
        count = sum(dropouts for _, _, dropouts in self._spans)
        first = next((span for span in self._spans if span[2]), None)
        since_ms = 0 if first is None else up_ms - first[0] + first[1]
        return Swinging(count * _MINUTE_MS / max(length_ms, _MINUTE_MS), length_ms >= _MINUTE_MS, since_ms)

    def _length_ms(self) -> int:
        return sum(length_ms for _, length_ms, _ in self._spans)


class HuntingTracker:
    """Follows what swings at one node, through its messages in the order in which they arrive."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._current = Swings(_CURRENT_SHARE, limits.hunting_swing_a)
        self._speed = Swings(_SPEED_SHARE, _SPEED_SHARE * limits.cutin_rpm)
        self._dropouts = _Dropouts(limits.hunting_swing_a)
        self._of: tuple[str, int] | None = None  # store and boot of the live messages
        self._boot: int | None = None  # of the records

    def record(self, record: Record, age_ms: int) -> None:
        """Take a booked record that ended so long ago [ms]; one of a backlog says nothing of now."""
        if record.boot != self._boot or age_ms > _BACKLOG_MS:
            self._dropouts.forget()
            self._boot = record.boot
        if age_ms <= _BACKLOG_MS:
            self._dropouts.take(record)

    def live(self, live: Live, seen: Seen) -> Swinging | None:
        """Take a live message; return how often something swung of late, None where nothing can be said."""
        if self._of != (live.journal, live.boot):
            self._of = (live.journal, live.boot)
            self._current.forget()
            self._speed.forget()
        self._current.take(live.values.get("charge_a"), live.up_ms)
        if seen.motion is Motion.TURNING:
            self._speed.take(seen.rpm, live.up_ms)
        else:
            self._speed.forget()
        found = [self._current.seen(live.up_ms), self._speed.seen(live.up_ms)]
        if live.boot == self._boot:
            found.append(self._dropouts.seen(live.up_ms))
        told = [one for one in found if one is not None]
        if not told or live.state == "parked":
            return None
        worst = max(told, key=lambda one: one.per_min)
        return Swinging(worst.per_min, all(one.whole for one in told), worst.since_ms)


def hunting(swinging: Swinging | None, limits: Limits, now_ms: int, *, may_chop: bool) -> Judgement:
    """Judge whether converter and wheel chase each other.

    Args:
        swinging: How often something swung in the last minute; None where nothing can be said.
        limits: The plant's limits.
        now_ms: The host's time [Unix ms].
        may_chop: Whether the controller may rightly chop the current, because the battery is nearly full.
    """
    limit = limits.hunting_per_min
    reason = (
        f"Speed or current swung so many times in a minute. Limit {limits.reason('hunting_per_min')}; a swing counts from "
        f"{limits.reason('hunting_swing_a')}."
    )
    if swinging is None:
        return Judgement(Verdict.UNSEEN, None, limit, reason)
    if swinging.per_min >= limit:
        verdict = Verdict.BETWEEN if may_chop else Verdict.BEYOND
    else:
        calm = swinging.whole and swinging.per_min < _OVER * limit
        verdict = Verdict.WITHIN if calm else Verdict.BETWEEN
    return Judgement(verdict, swinging.per_min, limit, reason, now_ms - swinging.since_ms)
