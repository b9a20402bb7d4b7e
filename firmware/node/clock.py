"""Time on the board: milliseconds since boot that never step, and Unix time once somebody has told it.

`ticks_ms` of a board wraps after 2^30 ms (12.4 days) and its own calendar starts in 1970, 2000 or 2021
depending on the chip. Here the ticks become `up_ms`, an integer that only rises, and Unix time is
`anchor_ms + up_ms`; the chip's calendar is never asked. All integers: a 32-bit float holds Unix
milliseconds to the nearest 131 seconds.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

TICKS_MASK = const(0x3FFFFFFF)  # ticks wrap at 2^30
# A crystal without temperature control is good to about 100 parts in a million: 1 ms in 10 s.
_DRIFT = const(10_000)
# Answers slower than this say too little about the time.
ROUND_TRIP_MAX_MS = const(2_000)


class Clock:
    """One per boot. `tick()` must be called at least once a day; the sampler does so ten times a second.

    ticks_ms: the board's millisecond counter, modulo 2^30.
    quality: "none" until a time was accepted, then where it came from: "host" or "ntp".
    anchor_ms: Unix time of the boot (`up_ms` 0), or None.
    changes: how often the anchor was set; with last_step_ms, by how much the newest change moved it
        (0 for the first), every step of Unix time can be seen, also a step back.
    shift: changes whenever `phase_ms` would give another answer.
    """

    __slots__ = (
        "_base_ms", "_last", "_since_ms", "_slack_ms", "_ticks_ms",
        "anchor_ms", "changes", "last_step_ms", "quality", "shift",
    )  # fmt: skip

    def __init__(self, ticks_ms: "Callable[[], int]") -> None:
        self._ticks_ms = ticks_ms
        self._last = ticks_ms() & TICKS_MASK
        self._base_ms = -self._last  # up_ms = base + newest tick
        self.quality = "none"
        self.anchor_ms: int | None = None
        self.changes = 0
        self.last_step_ms = 0
        self.shift = 0
        self._slack_ms = 0  # how wrong the anchor may have been when it was set ...
        self._since_ms = 0  # ... and when that was

    def tick(self) -> int:
        """Return the board's ticks now, in milliseconds modulo 2^30, having noticed a wrap."""
        tick = self._ticks_ms() & TICKS_MASK
        if tick < self._last:
            self._base_ms += TICKS_MASK + 1
            self.shift += 1
        self._last = tick
        return tick

    def up_ms(self) -> int:
        """Return the milliseconds since boot: never falls, never wraps."""
        tick = self.tick()  # first: it may move the base
        return self._base_ms + tick

    def up_at(self, tick: int) -> int:
        """Return `up_ms` at a tick of the last day, as `tick()` gave it."""
        return self._base_ms + self._last - ((self._last - tick) & TICKS_MASK)

    def unix_ms(self, up_ms: int) -> "int | None":
        """Return the Unix time in milliseconds at any `up_ms` of this boot; None without a clock."""
        return None if self.anchor_ms is None else self.anchor_ms + up_ms

    def phase_ms(self, period_ms: int) -> int:
        """Return what to add to a tick so that it is a multiple of `period_ms` where Unix time is.

        Without a clock `up_ms` takes the place of Unix time. Valid until `shift` changes.
        """
        return (self._base_ms + (self.anchor_ms or 0)) % period_ms

    def offer(self, now_ms: int, asked_up_ms: int, heard_up_ms: int, quality: str = "host") -> bool:
        """Consider the answer to a question for the time; return whether the anchor was set by it.

        now_ms: Unix time by the answering clock, taken between our `asked_up_ms` and `heard_up_ms`.

        The answer is off by at most half the round trip. It replaces the anchor when it is at least as
        sharp as what drift has left of the present one, or when the two cannot both be right. Refused: a
        round trip that is negative or above ROUND_TRIP_MAX_MS.
        """
        trip_ms = heard_up_ms - asked_up_ms
        if trip_ms < 0 or trip_ms > ROUND_TRIP_MAX_MS:
            return False
        slack_ms = trip_ms // 2 + 1
        anchor_ms = now_ms - asked_up_ms - trip_ms // 2
        step_ms = 0
        if self.anchor_ms is not None:
            step_ms = anchor_ms - self.anchor_ms
            kept_ms = self._slack_ms + (heard_up_ms - self._since_ms) // _DRIFT
            if slack_ms > kept_ms and abs(step_ms) <= slack_ms + kept_ms:
                return False
        self.anchor_ms = anchor_ms
        self.quality = quality
        self._slack_ms = slack_ms
        self._since_ms = heard_up_ms
        self.last_step_ms = step_ms
        self.changes += 1
        self.shift += 1
        return True
