"""Edges whose times come from an interrupt and whose number comes from a counter in the chip.

An interrupt can be late or lost while flash is written; a counter cannot. The counter holds: what the interrupt did
not see is counted without a time, what it saw too much is dropped. Times are approximate: an interrupt that waits
is late.
"""

from array import array

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from node.pins import EdgeRing

_TICKS_MASK = const(0x3FFFFFFF)
# An interrupt that sees nothing of so many edges for so long has died: it is installed again.
_DEAF_US = const(60_000_000)
_DEAF_EDGES = const(3)


class CountedEdges:
    """Edge times of `ring`, checked against `value()`, the running count of the chip's counter.

    install: puts the interrupt on the pin. exact: every edge is counted. lost: edges so far without a time; they
    came before the first time that the same `read_into` gave. installed: how often the interrupt was installed
    again because it had died.
    """

    exact = True

    def __init__(
        self,
        ring: "EdgeRing",
        value: "Callable[[], int]",
        install: "Callable[[], object]",
        ticks_us: "Callable[[], int]",
    ) -> None:
        self._ring = ring
        self._value = value
        self._install = install
        self._ticks_us = ticks_us
        self._read_us = ticks_us()
        install()
        self._counted = value()
        self._behind = 0  # edges that the interrupt has not shown yet
        self._last_us = self._read_us
        self._deaf_us = 0
        self._deaf_edges = 0
        self.lost = 0
        self.installed = 0

    def read_into(self, ticks: "array[int]") -> int:
        """Move the edge times (us, modulo 2^30) into `ticks`, oldest first; return how many."""
        # In this order the counter has counted all that the ring has seen, and perhaps one more.
        count = self._ring.read_into(ticks)
        value = self._value()
        moved = value - self._counted
        self._counted = value
        behind = self._behind + moved - count
        while behind < 0 and count:
            self._drop(ticks, count)
            count -= 1
            behind += 1
        # The interrupt may come a little later than the count: what is missing for a whole reading is lost.
        lost = min(max(behind, 0), max(self._behind - count, 0))
        self.lost += lost
        self._behind = max(behind, 0) - lost
        if count:
            self._last_us = ticks[count - 1]
        self._listen(moved, count)
        return count

    def _drop(self, ticks: "array[int]", count: int) -> None:
        """Take out the time that follows its predecessor most closely: a spike too short for the counter."""
        nearest_us = _TICKS_MASK
        at = 0
        before = self._last_us
        for i in range(count):
            gap_us = (ticks[i] - before) & _TICKS_MASK
            before = ticks[i]
            if gap_us < nearest_us:
                nearest_us = gap_us
                at = i
        for i in range(at, count - 1):
            ticks[i] = ticks[i + 1]

    def _listen(self, moved: int, count: int) -> None:
        now_us = self._ticks_us()
        since_us = (now_us - self._read_us) & _TICKS_MASK
        self._read_us = now_us
        if count:
            self._deaf_us = self._deaf_edges = 0
            return
        self._deaf_edges += moved
        if self._deaf_edges >= _DEAF_EDGES:
            self._deaf_us += since_us
        if self._deaf_us >= _DEAF_US:
            self._deaf_us = self._deaf_edges = 0
            self.installed += 1
            self._install()
