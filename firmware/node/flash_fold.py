"""Joining neighbouring records into one, so that the same joules take less room.

Nothing is lost but resolution: totals count since boot, so the last one of a row speaks for all of it. Records are
joined within a minute, then within five minutes, then within a quarter of an hour of Unix time. Every time zone
lies a whole number of quarters from UTC, so no joined record crosses a midnight. Without a clock `up_ms` takes
the place of Unix time.
"""

from micropython import const

from node.flash_pack import shape_for
from node.flash_segment import Segment
from node.records import Rec

GRAINS_MS = (0, 60_000, 300_000, 900_000)
COARSEST = const(3)
# Where the clock was set anew between two records by more than this, they stay apart.
_SHIFT_MOST_MS = const(1000)


class Group:
    """Neighbours that become one record: `begin` with one, `add` each that it `takes`, then ask for the `record`."""

    __slots__ = (
        "_dur_ms",
        "_fault",
        "_first",
        "_grain_ms",
        "_last",
        "_least",
        "_most",
        "_start_ms",
        "_sum",
        "_weight",
    )

    def __init__(self) -> None:
        self._grain_ms = 1
        self._last: Rec | None = None
        self._first = 0
        self._start_ms = 0
        self._dur_ms = 0
        self._sum: list[int] = []
        self._weight: list[int] = []
        self._least: list[int | None] = []
        self._most: list[int | None] = []
        self._fault: list[str | None] = []

    def clear(self, grain_ms: int) -> None:
        """Hold nothing, and join within periods of this length from now on; 0 joins nothing."""
        self._grain_ms = max(grain_ms, 1)
        self._last = None

    @property
    def empty(self) -> bool:
        """Whether it holds no record."""
        return self._last is None

    def begin(self, rec: Rec) -> None:
        """Hold this record, and nothing else."""
        count = len(rec.mean)
        self._first = rec.first
        self._start_ms = (rec.up_ms if rec.end_ms is None else rec.end_ms) - rec.span_ms
        self._dur_ms = 0
        self._sum = [0] * count
        self._weight = [0] * count
        self._least = [None] * count
        self._most = [None] * count
        self._fault = [None] * count
        self.add(rec)

    def takes(self, rec: Rec) -> bool:
        """Say whether this record follows without a hole, in the same boot and the same period."""
        last = self._last
        if last is None or rec.boot != last.boot or rec.first != last.n + 1:
            return False
        end_ms = rec.up_ms
        if (rec.end_ms is None) != (last.end_ms is None):
            return False
        if rec.end_ms is not None and last.end_ms is not None:
            end_ms = rec.end_ms
            if abs(rec.end_ms - rec.up_ms - last.end_ms + last.up_ms) > _SHIFT_MOST_MS:
                return False
        # By the clock, also where it was set a little in between: the host counts joined time in Unix time.
        if not 0 < end_ms - self._start_ms <= rec.up_ms:
            return False
        return self._start_ms // self._grain_ms == (end_ms - 1) // self._grain_ms

    def add(self, rec: Rec) -> None:
        """Join a record, which must have been taken."""
        weight = max(rec.dur_ms, 1)
        for i, mean in enumerate(rec.mean):
            if mean is None:
                if rec.faults[i] is not None:
                    self._fault[i] = rec.faults[i]
                continue
            self._sum[i] += mean * weight
            self._weight[i] += weight
            self._least[i] = _lower(self._least[i], rec.min[i])
            self._most[i] = _higher(self._most[i], rec.max[i])
        self._dur_ms += rec.dur_ms
        self._last = rec

    def record(self) -> Rec:
        """Return the one record that stands for all; means are weighted by the measured time of each."""
        last = self._last
        if last is None:
            raise ValueError("nothing was joined")
        if self._first == last.first:
            return last
        end_ms = last.up_ms if last.end_ms is None else last.end_ms
        span_ms = end_ms - self._start_ms
        mean: list[int | None] = []
        for i, weight in enumerate(self._weight):
            mean.append((2 * self._sum[i] + weight) // (2 * weight) if weight else None)
        return Rec(
            last.n,
            self._first,
            last.boot,
            last.up_ms,
            min(self._dur_ms, span_ms),
            span_ms,
            last.end_ms,
            last.clock,
            last.state,
            mean,
            self._least[:],
            self._most[:],
            last.total,
            [None if self._weight[i] else fault for i, fault in enumerate(self._fault)],
            last.layout,
        )


class Joiner:
    """Writes records into a segment, joined: `begin`, `add` as long as there is room, `end`."""

    __slots__ = ("_group", "_out")

    def __init__(self, out: Segment) -> None:
        self._group = Group()
        self._out = out

    def begin(self, out: Segment, grain_ms: int) -> None:
        """Write into this segment, which has just been started; within periods of this length, 0 joins nothing."""
        self._group.clear(grain_ms)
        self._out = out

    def add(self, rec: Rec) -> bool:
        """Take the next record; return False when the segment is full. What came after its last record is not in it."""
        group = self._group
        if group.takes(rec):
            group.add(rec)
            return True
        if not self.end():
            return False
        group.begin(rec)
        return True

    def end(self) -> bool:
        """Write what is joined at present; return False when the segment is full."""
        if self._group.empty:
            return True
        rec = self._group.record()
        return self._out.add(rec, shape_for(rec))


def _lower(a: "int | None", b: "int | None") -> "int | None":
    return b if a is None or (b is not None and b < a) else a


def _higher(a: "int | None", b: "int | None") -> "int | None":
    return b if a is None or (b is not None and b > a) else a
