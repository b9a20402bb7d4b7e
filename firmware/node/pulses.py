"""From the times of magnets to the speed of a wheel.

Speed is counted reciprocally over whole turns: the time from a magnet to the same magnet, so that unequal
spacing cancels. Between edges the wheel cannot be faster than the magnet that has not come yet allows; a
stopping wheel is therefore seen falling at once.

Times are the board's microsecond ticks modulo 2^30, which come round every 17.9 minutes: two ticks are only
subtracted when `up_ms` says that less than LONGEST_MS lies between them. Everything is an integer below 2^30,
the reach of a small integer on the boards; speeds are in thousandths of a turn a minute.
"""

from array import array

from micropython import const

from node.pattern import MAGNETS_MAX, Pattern

TICKS_MASK = const(0x3FFFFFFF)
# Without a whole turn to go by, a wheel without an edge for this long stands. With one magnet, a wheel
# slower than 2 rpm therefore reads as stopped.
STAND_MS = const(30_000)
# No wait for an edge is longer, whatever the last turn was like: twelve such gaps still fit 30 bits of us.
LONGEST_MS = const(85_000)
# Nor is one shorter: the edges are looked at ten times a second.
SHORTEST_MS = const(500)
# A gap may be a fifth longer than the longest of the last turn (wheels lope), and one edge may be missed.
_LATE_FIFTHS = const(12)  # 2 x 1.2, in fifths
# 60 s in units of 64 us, times 1000 for thousandths: below 2^30, and 0.01 % of a turn at 120 rpm.
_MINUTE = const(937_500_000)
# A ratio of two times is taken with this many parts, so that its product with a speed (250 rpm) stays small.
_RATIO = const(4096)


class Wheel:
    """The pickup of one wheel with `magnets` evenly meant, unevenly placed magnets.

    fastest_rpm: edges closer together than this speed would bring them are noise: refused and counted.
    edges, rejected: counted since boot. mrpm: speed now, None while it is unknown (from boot until two
    magnets have passed or STAND_MS are over). standing: no magnet for 2.4 times the longest gap of the last
    turn. edge_gap_ms: that gap, None before a whole turn since the wheel last stood. per_turn: edges that one turn
    really gives: `magnets`, unless the pattern of the gaps says otherwise (see node.pattern). blind: edges are
    counted, but their times are not known, so that there is no speed.
    """

    __slots__ = (
        "_at",
        "_count",
        "_counted",
        "_gaps",
        "_last_ms",
        "_last_us",
        "_longest_us",
        "_mrev",
        "_nearest_us",
        "_noisy",
        "_pattern",
        "_turn_mrpm",
        "_wait_ms",
        "blind",
        "edge_gap_ms",
        "edges",
        "magnets",
        "mrpm",
        "per_turn",
        "rejected",
        "standing",
    )  # fmt: skip

    def __init__(self, magnets: int, fastest_rpm: int, up_ms: int) -> None:
        self.magnets = magnets
        self.per_turn = magnets
        self._pattern = Pattern(magnets)
        self._mrev = 0  # thousandths of a turn up to the edge number _counted
        self._counted = 0
        self._noisy = False  # whether an edge of the newest batch was refused
        self._nearest_us = 60_000_000 // (fastest_rpm * magnets)
        self._gaps = array("I", [0] * MAGNETS_MAX)  # of the last turn, in us; _at is where the next one goes
        self._at = 0
        self._count = 0  # gaps since the wheel last stood, at most `per_turn`
        self._last_us = -1  # tick of the last edge taken, -1 when it is too old to subtract from
        self._last_ms = up_ms  # up_ms of it, or of the boot
        self._turn_mrpm = 0
        self._longest_us = 0  # of those gaps
        self._wait_ms = STAND_MS
        self.edges = 0
        self.rejected = 0
        self.mrpm: int | None = None
        self.standing = False
        self.edge_gap_ms: int | None = None
        self.blind = False

    def edge_age_ms(self, up_ms: int) -> "int | None":
        """Return the time since the last magnet, None before the first since boot."""
        return up_ms - self._last_ms if self.edges else None

    def update(self, ticks: "array[int]", count: int, now_us: int, up_ms: int) -> None:
        """Take the first `count` edge times of `ticks`, oldest first, and bring the speed up to date.

        now_us, up_ms: this moment by both clocks. The edges must be younger than LONGEST_MS.
        """
        rejected = self.rejected
        for i in range(count):
            tick = ticks[i]
            young_us = (now_us - tick) & TICKS_MASK
            # An edge between the reading of the two clocks looks as if it were almost a whole wrap old.
            self._edge(tick, up_ms - (young_us // 1000 if young_us <= TICKS_MASK >> 1 else 0))
        if count:
            self._noisy = self.rejected != rejected
        age_ms = up_ms - self._last_ms
        if age_ms > self._wait_ms:
            self._stand()
        elif self._count and not self.standing:
            self.mrpm = self._bounded(now_us, age_ms)

    def missed(self, count: int, up_ms: int) -> None:
        """Count edges that passed since the last `update`, but whose times are not known; the speed is then unknown too.

        They were noise where there were more than the fastest wheel could bring, or where the edges before them were.
        """
        since_ms = min(up_ms - self._last_ms, LONGEST_MS)
        if self._noisy or since_ms * 1000 < count * self._nearest_us:
            self.rejected += count
        else:
            self.edges += count
            self._last_ms = up_ms
            self.standing = False
            self.blind = True
        self._lose_track()
        if not self.standing:
            self.mrpm = None

    def mrev(self) -> int:
        """Return the thousandths of a turn since boot."""
        return self._mrev + (self.edges - self._counted) * 1000 // self.per_turn

    def _lose_track(self) -> None:
        """Forget the gaps: edges are known to be missing, so the next gap would be no gap of this wheel."""
        self._pattern.forget()
        self._count = 0
        self._last_us = -1
        self.edge_gap_ms = None
        self._wait_ms = STAND_MS

    def _stand(self) -> None:
        self._lose_track()
        self.standing = True
        self.blind = False
        self.mrpm = 0

    def _edge(self, tick: int, at_ms: int) -> None:
        since_ms = at_ms - self._last_ms
        if since_ms > self._wait_ms:
            self._stand()
        if self._last_us < 0:
            # The first edge of the boot, or after a stand: it starts the measuring, and is no gap yet.
            self._take(tick, at_ms)
            return
        gap_us = (tick - self._last_us) & TICKS_MASK
        if gap_us < self._nearest_us:
            self.rejected += 1
            return
        self._take(tick, at_ms)
        self._gap(gap_us)

    def _take(self, tick: int, at_ms: int) -> None:
        self.edges += 1
        self._last_us = tick
        self._last_ms = at_ms

    def _gap(self, gap_us: int) -> None:
        self.standing = False
        self.blind = False
        if self._pattern.add(gap_us):
            self._mrev = self.mrev()
            self._counted = self.edges
            self.per_turn = self._pattern.per_turn
            # The turn now over had another number of gaps than was thought; the pattern has kept them.
            self._at = self._count = self._pattern.newest_into(self._gaps) - 1
        magnets = self.per_turn
        if not self._count:
            self._at = 0
        self._gaps[self._at] = gap_us
        self._at = (self._at + 1) % magnets
        if self._count < magnets:
            self._count += 1
        total_us = longest_us = 0
        for i in range(self._count):
            total_us += self._gaps[i]
            longest_us = max(longest_us, self._gaps[i])
        if self._count < magnets:
            # Not a turn yet: the gaps so far stand for all, wrong by as much as the magnets are out of place.
            total_us = total_us // self._count * magnets
        else:
            self.edge_gap_ms = longest_us // 1000
            self._wait_ms = min(LONGEST_MS, max(SHORTEST_MS, longest_us // 1000 * _LATE_FIFTHS // 5))
        turn = (total_us + 32) >> 6
        self._longest_us = longest_us
        self._turn_mrpm = (_MINUTE + turn // 2) // turn

    def _bounded(self, now_us: int, age_ms: int) -> int:
        """Return the speed of the last turn, or less when the next magnet is late."""
        # The gap now open is at most as wide as the widest of the turn, even while the wheel changes its speed.
        open_us = self._longest_us
        age_us = (now_us - self._last_us) & TICKS_MASK
        if age_ms <= open_us // 1000 or age_us <= open_us:
            return self._turn_mrpm
        while open_us > _RATIO:
            open_us >>= 1
            age_us >>= 1
        return self._turn_mrpm * open_us // age_us
