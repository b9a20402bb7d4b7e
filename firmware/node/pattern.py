"""After how many gaps between edges does their pattern repeat? That many edges make a turn, whatever was told.

A magnet that comes off leaves a wheel of four with three edges a turn, and a speed by four gaps would be three
quarters of the true one for ever. But the gaps then repeat after three edges and not after four: each gap is laid
beside the one `p` gaps ago, for the likely numbers p, and their relative difference is smoothed. Differences that
speeding up or a loping load make grow with p, and are told from a wrong number by how much smaller the one at the
right number is.

Not seen: what leaves even gaps (one of two magnets, two opposite ones of four, all but one), and, because a wheel
that rocks at the pickup also gives a long gap and a short one in turn, a wheel with two edges a turn.
"""

from array import array

MAGNETS_MAX = 12
_LEAST = 3  # edges a turn that a pattern can tell
_WHOLE = 256  # a relative difference of 1; it is (a - b) / (a + b)
_SMOOTH = 5  # over 2^5 gaps
# Gaps that differ by 19 % from those a turn ago, while at another number they differ by less than a quarter of it.
_CLAIM = 24 << 5
_KEEP = 12 << 5  # a claim once made is kept until the difference falls below this
_CLEARLY = 4


class Pattern:
    """Watches the gaps of a wheel with `magnets`. per_turn: edges a turn, by their pattern."""

    __slots__ = ("_apart", "_at", "_count", "_gaps", "_likely", "_magnets", "per_turn")

    def __init__(self, magnets: int) -> None:
        self._magnets = magnets
        self.per_turn = magnets
        # Half the magnets lost would be noticed by anybody; two edges too many are a nut that passes the pickup.
        least = max(_LEAST, (magnets + 1) // 2)
        most = min(MAGNETS_MAX, magnets + 2)
        self._likely = [p for p in range(least, most + 1) if magnets % p]
        self._gaps = array(
            "I", [0] * MAGNETS_MAX
        )  # the newest, in units of 64 us; _at is where the next one goes
        self._at = 0
        self._count = 0
        self._apart = array("I", [0] * (MAGNETS_MAX + 1))  # by p: the smoothed difference, times 2^5

    def forget(self) -> None:
        """Begin anew after a stand: the next gap has no neighbour."""
        self._count = 0

    def add(self, gap_us: int) -> bool:
        """Take the next gap; return whether `per_turn` has changed."""
        gap = gap_us >> 6
        self._compare(self._magnets, gap)
        for p in self._likely:
            self._compare(p, gap)
        self._gaps[self._at] = gap
        self._at = (self._at + 1) % MAGNETS_MAX
        if self._count < MAGNETS_MAX:
            self._count += 1
        found = self._found()
        changed = found != self.per_turn
        self.per_turn = found
        return changed

    def newest_into(self, gaps_us: "array[int]") -> int:
        """Write the gaps of the newest turn, oldest first (good to 64 us); return how many there are, at least 1."""
        count = min(self._count, self.per_turn)
        for i in range(count):
            gaps_us[i] = self._gaps[self._at - count + i] << 6
        return count

    def _compare(self, p: int, gap: int) -> None:
        if self._count < p:
            return
        before = self._gaps[self._at - p]
        apart = abs(gap - before) * _WHOLE // max(gap + before, 1)
        self._apart[p] += apart - (self._apart[p] >> _SMOOTH)

    def _found(self) -> int:
        own = self._apart[self._magnets]
        for p in self._likely:
            if own >= (_KEEP if p == self.per_turn else _CLAIM) and self._apart[p] * _CLEARLY <= own:
                return p
        return self._magnets
