"""One watched condition as a state machine: on-delay, off-delay, deadband, one episode from onset to clearing.

The words follow IEC 62682 and ISA-18.2 as OPC UA Part 9 (5.8.2, B.1.5) tells them. Time enters only as the
`now_ms` of an observation. A delay counts the time between observations that agree, and of each such step no
more than `LONGEST_STEP_MS`: a clock that is set back counts nothing, one that is set forward by an hour, or a
service that slept, counts one step. So silence never raises and never clears; only what is seen does.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

# Live values come once a second; a few may be lost on the air.
LONGEST_STEP_MS: Final = 10_000
# What was seen so long ago proves nothing about the time between.
FORGET_MS: Final = 60_000


class Verdict(Enum):
    """What one observation says of a condition."""

    BEYOND = "beyond its limit"
    BETWEEN = "inside the deadband"
    WITHIN = "back to normal"
    UNSEEN = "not to be judged"


class Phase(Enum):
    """Where a condition is on its way."""

    NORMAL = "normal"
    PENDING = "beyond its limit, the on-delay runs"
    STANDING = "an alarm"
    RETURNING = "back to normal, the off-delay runs"


class Change(Enum):
    """What an observation changed."""

    RAISED = "raised"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a condition must hold [ms] before it is an alarm, and be gone before it is none.

    An acknowledged alarm that still stands after `remind_ms` is unacknowledged again (re-alarm time);
    None: never.
    """

    on_ms: int
    off_ms: int
    remind_ms: int | None = None


@dataclass(slots=True)
class Machine:
    """The state of one condition of one node.

    `onset_ms` is when the present episode began, or would have begun; `free_from_ms` is the earliest time at
    which a new one may begin, so that episodes never overlap, whatever the clock does.
    """

    delays: Delays
    phase: Phase = Phase.NORMAL
    onset_ms: int | None = None
    raised_ms: int | None = None
    free_from_ms: int | None = None
    acknowledged: bool = False
    _held_ms: int = 0
    _seen_ms: int | None = None
    _patience_ms: int = 0
    _aged_ms: int | None = None

    @property
    def active(self) -> bool:
        """Whether an alarm stands, its off-delay running or not."""
        return self.phase in (Phase.STANDING, Phase.RETURNING)

    def resume(self, onset_ms: int, raised_ms: int, *, acknowledged: bool) -> None:
        """Continue an episode that was open when the service ended."""
        self.phase, self.onset_ms, self.raised_ms = Phase.STANDING, onset_ms, raised_ms
        self.acknowledged = acknowledged

    def observe(self, verdict: Verdict, now_ms: int, onset_ms: int | None = None) -> Change | None:
        """Take one observation made now.

        Args:
            verdict: What was seen.
            now_ms: The host's time [Unix ms].
            onset_ms: When what is seen began, where the observation knows better than "now".

        Returns:
            Whether this raised or cleared the alarm.
        """
        if verdict is Verdict.UNSEEN:
            return None
        gap_ms = 0 if self._seen_ms is None else now_ms - self._seen_ms
        self._seen_ms = now_ms
        if gap_ms > FORGET_MS:
            self._start_over()
        step_ms = min(max(gap_ms, 0), LONGEST_STEP_MS)
        if self.active:
            return self._while_active(verdict, now_ms, step_ms)
        if verdict is not Verdict.BEYOND:
            self.phase, self.onset_ms = Phase.NORMAL, None
            return None
        if self.phase is Phase.NORMAL:
            self.phase, self._held_ms = Phase.PENDING, 0
            # An onset after "now" is the work of a clock that was set back.
            self.onset_ms = self._allowed(now_ms if onset_ms is None else min(onset_ms, now_ms))
        else:
            self._held_ms += step_ms
        if self._held_ms < self.delays.on_ms:
            return None
        self.phase, self.acknowledged = Phase.STANDING, False
        self.raised_ms = now_ms if self.onset_ms is None else max(now_ms, self.onset_ms)
        return Change.RAISED

    def acknowledge(self) -> None:
        """A person has seen the alarm."""
        self.acknowledged, self._patience_ms = True, 0

    def overdue(self, now_ms: int) -> bool:
        """Count the time since the acknowledgement; return True when the alarm is unacknowledged again."""
        gap_ms = 0 if self._aged_ms is None else now_ms - self._aged_ms
        self._aged_ms = now_ms
        if not (self.active and self.acknowledged) or self.delays.remind_ms is None:
            return False
        self._patience_ms += min(max(gap_ms, 0), LONGEST_STEP_MS)
        if self._patience_ms < self.delays.remind_ms:
            return False
        self.acknowledged = False
        return True

    def _while_active(self, verdict: Verdict, now_ms: int, step_ms: int) -> Change | None:
        if verdict is not Verdict.WITHIN:
            self.phase = Phase.STANDING
            return None
        if self.phase is Phase.STANDING:
            self.phase, self._held_ms = Phase.RETURNING, 0
        else:
            self._held_ms += step_ms
        if self._held_ms < self.delays.off_ms:
            return None
        self.free_from_ms = (now_ms if self.raised_ms is None else max(now_ms, self.raised_ms)) + 1
        self.phase, self.onset_ms, self.raised_ms, self.acknowledged = Phase.NORMAL, None, None, False
        return Change.CLEARED

    def _start_over(self) -> None:
        self._held_ms = 0
        if self.phase is Phase.PENDING:
            self.phase, self.onset_ms = Phase.NORMAL, None
        elif self.phase is Phase.RETURNING:
            self.phase = Phase.STANDING

    def _allowed(self, onset_ms: int) -> int:
        return onset_ms if self.free_from_ms is None else max(onset_ms, self.free_from_ms)
