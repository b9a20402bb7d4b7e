"""The speed of a fast shaft from the pulses of a second pickup, or of one phase through an opto-coupler.

A machine with p pole pairs gives f = p n / 60 periods a second, so that p is its pulses per turn. They come faster
than each one could be looked at, and where the queue of the counter was full some are counted without a time. So
the speed is taken from the first and the last pulse of whole turns, and their number; unequal spacing cancels.
All integers.
"""

from micropython import const

from node.pulses import LONGEST_MS, SHORTEST_MS, STAND_MS, TICKS_MASK

TYPE_CHECKING = False
if TYPE_CHECKING:
    from array import array

# A speed is a mean over at least this: the pulses' times are good to 4 us.
_SPAN_US = const(300_000)
# After so many turns any pulse will do where the queue kept no whole turn: unequal spacing then counts little.
_MANY = const(8)
# A pulse is late only after this: the newest ones may have found the queue full.
_LEAST_OPEN_US = const(250_000)
_MINUTE = const(937_500_000)  # 60 s in units of 64 us, times 1000 for thousandths
_LATE = const(3)  # mean gaps without a pulse, after which the shaft stands
_RATIO = const(1 << 10)


class Shaft:
    """A shaft that gives `pulses_per_turn` (1..60).

    fastest_rpm: pulses closer together than this speed would bring them are noise: refused and counted.
    mrpm: speed in thousandths of a turn a minute, None while it is unknown: until a whole turn has passed, or
    nothing for STAND_MS. pulses, rejected: since boot.
    """

    __slots__ = (
        "_first_us", "_gap_us", "_last_ms", "_last_us", "_nearest_us", "_per_turn", "_since", "_turn_mrpm",
        "_wait_ms", "mrpm", "pulses", "rejected",
    )  # fmt: skip

    def __init__(self, pulses_per_turn: int, fastest_rpm: int, up_ms: int) -> None:
        self._per_turn = pulses_per_turn
        self._nearest_us = 60_000_000 // (fastest_rpm * pulses_per_turn)
        self._last_us = -1  # tick of the last pulse, -1 when it is too old to subtract from
        self._last_ms = up_ms
        self._first_us = 0  # tick of the pulse from which the next speed is taken ...
        self._since = 0  # ... and how many came after it
        self._turn_mrpm = 0
        self._gap_us = 0  # mean of the turns that gave it
        self._wait_ms = STAND_MS
        self.mrpm: int | None = None
        self.pulses = 0
        self.rejected = 0

    def update(self, ticks: "array[int]", count: int, now_us: int, up_ms: int) -> None:
        """Take the first `count` pulse times of `ticks`, oldest first, and bring the speed up to date."""
        for i in range(count):
            self._pulse(ticks[i])
        if count:
            self._last_ms = up_ms
        age_ms = up_ms - self._last_ms
        if age_ms > self._wait_ms:
            self._last_us = -1
            self._gap_us = 0
            self._wait_ms = STAND_MS
            self.mrpm = 0
        elif self._gap_us:
            self.mrpm = self._bounded((now_us - self._last_us) & TICKS_MASK)

    def missed(self, count: int) -> None:
        """Count pulses without a time, which came before the next ones that have one."""
        self.pulses += count
        self._since += count

    def _pulse(self, tick: int) -> None:
        if self._last_us < 0:
            self._begin(tick)
            return
        if (tick - self._last_us) & TICKS_MASK < self._nearest_us:
            self.rejected += 1
            return
        self.pulses += 1
        self._since += 1
        self._last_us = tick
        span_us = (tick - self._first_us) & TICKS_MASK
        if span_us > LONGEST_MS * 1000:
            self._first_us = tick
            self._since = 0
        elif span_us >= _SPAN_US and (
            self._since % self._per_turn == 0 or self._since >= _MANY * self._per_turn
        ):
            span = ((span_us + 32) >> 6) * self._per_turn
            self._turn_mrpm = (_MINUTE * self._since + span // 2) // span
            self._gap_us = span_us // self._since
            self._wait_ms = min(LONGEST_MS, max(SHORTEST_MS, self._gap_us * _LATE // 1000))
            self._first_us = tick
            self._since = 0

    def _begin(self, tick: int) -> None:
        self.pulses += 1
        self._last_us = self._first_us = tick
        self._since = 0

    def _bounded(self, age_us: int) -> int:
        """Return the speed of the last turns, or less when the next pulse is late."""
        open_us = max(2 * self._gap_us, _LEAST_OPEN_US)
        if age_us <= open_us:
            return self._turn_mrpm
        while open_us >= _RATIO:
            open_us >>= 1
            age_us >>= 1
        return self._turn_mrpm // age_us * open_us + self._turn_mrpm % age_us * open_us // age_us
