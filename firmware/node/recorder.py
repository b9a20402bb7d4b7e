"""Samples become records: statistics of each channel, totals, and the moment at which a record ends.

Time is cut into tenths of a second and records on a grid of Unix time (of `up_ms` until the clock is known):
a sample counts at the grid point just past. So a record of 10 s ends at a whole multiple of 10 s to the
millisecond, and none crosses a midnight of any time zone. While nothing is cut, only integers below 2^30 are
handled.
"""

from micropython import const

from node.records import Rec, Snapshot
from node.tally import STEP_MAX_MS, Tally

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Protocol

    from node.clock import Clock
    from node.pulses import Wheel
    from node.settings import Settings

    class Journal(Protocol):
        """Where records go."""

        def append(self, rec: Rec) -> None:
            """Keep a record."""


SAMPLE_MS = const(100)
_TICKS_MASK = const(0x3FFFFFFF)
_LIMB_BITS = const(20)
_LIMB_MASK = const((1 << 20) - 1)
# A change of the wheel's state ends a record early, but not one shorter than this, nor too often.
_SHORTEST_MS = const(1000)
_EARLY_PER_HOUR = const(60)
_HOUR_MS = const(3_600_000)


class Spread:
    """Mean, least and most of one channel, weighted by the time for which each reading stands."""

    __slots__ = ("_high", "_low", "_weight", "fault", "least", "most")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Begin the next interval."""
        self._high = 0  # sum of value x ms = high * 2^20 + low
        self._low = 0
        self._weight = 0
        self.least: int | None = None
        self.most: int | None = None
        self.fault: str | None = None

    def add(self, value: "int | None", fault: "str | None", ms: int) -> None:
        """Count a reading that stands for `ms`, or note why there is none."""
        if value is None:
            if fault is not None:
                self.fault = fault
            return
        low = self._low + value * ms
        self._high += low >> _LIMB_BITS
        self._low = low & _LIMB_MASK
        self._weight += ms
        if self.least is None or value < self.least:
            self.least = value
        if self.most is None or value > self.most:
            self.most = value

    def mean(self) -> "int | None":
        """Return the mean, rounded to the nearest step, or None when nothing was read."""
        weight = self._weight
        if not weight:
            return None
        return (2 * ((self._high << _LIMB_BITS) + self._low) + weight) // (2 * weight)


class Recorder:
    """Makes the records of one boot and hands each to the journal.

    A pause of the sampler beyond STEP_MAX_MS leaves time that was not measured: `dur_ms` is then shorter than
    `span_ms`. n: number of the last record made.
    """

    __slots__ = (
        "_boot", "_clock", "_cut_ms", "_cut_state", "_dur_ms", "_early", "_hour_ms", "_journal", "_last",
        "_phase", "_record_ms", "_shift", "_since_ms", "_snapshot", "_spreads", "_state", "_told", "_wheel",
        "faults", "n", "tally", "values",
    )  # fmt: skip

    def __init__(
        self, settings: "Settings", clock: "Clock", boot: int, journal: "Journal", wheel: "Wheel | None"
    ) -> None:
        self._told = settings.wheel
        self._wheel = wheel
        self._clock = clock
        self._boot = boot
        self._journal = journal
        self._record_ms = settings.record_s * 1000
        self._spreads = [Spread() for _ in settings.layout.channels]
        self._snapshot = Snapshot(settings.layout)
        self.tally = Tally(settings, wheel)
        # The newest sample, by channel index; the sampler writes it before each `take`.
        self.values: list[int | None] = [None] * len(settings.layout.channels)
        self.faults: list[str | None] = [None] * len(settings.layout.channels)
        self.n = 0
        self._shift = -1
        self._phase = 0
        self._last = clock.tick()  # of the grid point up to which time is counted
        self._cut_ms = clock.up_at(self._last)
        self._since_ms = 0  # counted since the last cut
        self._dur_ms = 0
        self._state = "unknown"
        self._cut_state = "unknown"
        self._early = 0
        self._hour_ms = 0

    def take(self, tick: int, *, parked: bool) -> None:
        """Count the sample in `values` and `faults`, taken at `tick`; end the record if it is time."""
        place = self._place(tick)
        at = (tick - place % SAMPLE_MS) & _TICKS_MASK
        place -= place % SAMPLE_MS
        ms = (at - self._last) & _TICKS_MASK
        if ms == 0 or ms > _TICKS_MASK >> 1:
            return  # twice in a tenth of a second, or the grid has just moved: the next sample stands for it
        self._last = at
        step = min(ms, STEP_MAX_MS)
        self._state = self._wheel_state(parked=parked)
        # By index: enumerate would leave a tuple behind for every channel, ten times a second.
        for i in range(len(self._spreads)):
            self._spreads[i].add(self.values[i], self.faults[i], step)
        self.tally.add(self.values, self._state, step)
        self._dur_ms += step
        self._since_ms += ms
        # A grid point of the record lies within the last `ms`. Where the clock has just been set, that can be
        # right after the last cut: the record then runs on to the next one.
        due = place < ms and self._since_ms >= _SHORTEST_MS
        self._hour_ms += ms
        if self._hour_ms >= _HOUR_MS:
            self._hour_ms = 0
            self._early = 0
        if due or self._early_cut(self._record_ms - place):
            self._cut()

    def until_next_ms(self, tick: int) -> int:
        """Return how long to sleep from `tick` to the next grid point."""
        return SAMPLE_MS - self._place(tick) % SAMPLE_MS

    def _place(self, tick: int) -> int:
        """Return how far a tick lies behind the last whole multiple of a record's length."""
        clock = self._clock
        record_ms = self._record_ms
        if self._shift != clock.shift:
            self._shift = clock.shift
            self._phase = clock.phase_ms(record_ms)
        return (tick % record_ms + self._phase) % record_ms

    def snapshot(self) -> Snapshot:
        """Return the newest sample, with the times that go with it."""
        clock = self._clock
        snapshot = self._snapshot
        wheel = self._wheel
        snapshot.up_ms = clock.up_at(self._last)
        snapshot.at_ms = clock.unix_ms(snapshot.up_ms)
        snapshot.clock = clock.quality
        snapshot.state = self._state
        snapshot.edge_age_ms = wheel.edge_age_ms(clock.up_ms()) if wheel is not None else None
        snapshot.edge_gap_ms = wheel.edge_gap_ms if wheel is not None else None
        snapshot.values[:] = self.values
        snapshot.faults[:] = self.faults
        return snapshot

    def _wheel_state(self, *, parked: bool) -> str:
        if parked:
            return "parked"
        wheel = self._wheel
        told = self._told
        if wheel is None or told is None or wheel.mrpm is None:
            return "unknown"
        if wheel.standing:
            return "stopped"
        # From slow or stopped only the cut-in speed counts as turning again, so that the state does not flicker.
        least = told.cutin_mrpm if self._state in ("slow", "stopped") else told.slow_mrpm
        return "turning" if wheel.mrpm >= least else "slow"

    def _early_cut(self, left_ms: int) -> bool:
        if self._state == self._cut_state or self._since_ms < _SHORTEST_MS or left_ms < _SHORTEST_MS:
            return False
        if self._early >= _EARLY_PER_HOUR:
            return False
        self._early += 1
        return True

    def _cut(self) -> None:
        clock = self._clock
        up_ms = clock.up_at(self._last)
        self.n += 1
        spreads = self._spreads
        mean = [spread.mean() for spread in spreads]
        rec = Rec(
            self.n,
            self.n,
            self._boot,
            up_ms,
            self._dur_ms,
            up_ms - self._cut_ms,
            clock.unix_ms(up_ms),
            clock.quality,
            self._state,
            mean,
            [spread.least for spread in spreads],
            [spread.most for spread in spreads],
            self.tally.totals(),
            [spread.fault if mean[i] is None else None for i, spread in enumerate(spreads)],
        )
        self._cut_ms = up_ms
        self._cut_state = self._state
        self._since_ms = 0
        self._dur_ms = 0
        for spread in spreads:
            spread.clear()
        self._journal.append(rec)
