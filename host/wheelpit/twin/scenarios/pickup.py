"""How a node makes a wheel's speed of magnets that pass, by the rules of its firmware.

Whole turns are timed, so that unevenly placed magnets do not matter; between edges the wheel cannot be faster than the
magnet that has not come yet allows; after 2.4 times the longest gap of the last turn it stands.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_STAND_MS: Final = 30_000
_LONGEST_MS: Final = 85_000
_SHORTEST_MS: Final = 500
_LATE_FIFTHS: Final = 12  # two gaps, each a fifth longer than the longest of the last turn
_US_PER_MS: Final = 1000
_MINUTE_US: Final = 60_000_000


class MeasuredWheel:
    """The wheel as its node sees it; times in microseconds since the node's boot.

    Args:
        magnets: How many pass in a turn.
        fastest_rpm: Edges closer than at this speed are refused.

    `rpm` is None until it is known, `edge_gap_us` the longest gap of the last whole turn, `edges` and `rejected` are
    counted since boot.
    """

    def __init__(self, magnets: int, fastest_rpm: int) -> None:
        self.magnets = magnets
        self._nearest_us = _MINUTE_US // (fastest_rpm * magnets)
        self._gaps: deque[int] = deque(maxlen=magnets)
        self._last_us: int | None = None  # the last edge, where a gap may begin at it
        self._newest_us = 0  # the last edge, or the boot
        self._wait_ms = _STAND_MS
        self._turn_rpm = 0.0
        self.edges = self.rejected = 0
        self.rpm: float | None = None
        self.standing = False
        self.edge_gap_us: int | None = None

    def edge_age_us(self, now_us: int) -> int | None:
        """Return the time since the last magnet, None before the first one since boot."""
        return now_us - self._newest_us if self.edges else None

    def update(self, edges_us: Iterable[int], now_us: int) -> None:
        """Take the edges since the last call, oldest first, and bring the speed up to date."""
        for edge_us in edges_us:
            self._edge(edge_us)
        age_us = now_us - self._newest_us
        if age_us // _US_PER_MS > self._wait_ms:
            self._stand()
        elif self._gaps and not self.standing:
            longest_us = max(self._gaps)
            self.rpm = self._turn_rpm if age_us <= longest_us else self._turn_rpm * longest_us / age_us

    def _stand(self) -> None:
        self._gaps.clear()
        self._last_us = self.edge_gap_us = None
        self._wait_ms = _STAND_MS
        self.standing, self.rpm = True, 0.0

    def _edge(self, at_us: int) -> None:
        # The node knows the moments of edges to the millisecond.
        if -(-at_us // _US_PER_MS) + -self._newest_us // _US_PER_MS > self._wait_ms:
            self._stand()
        if self._last_us is not None:
            gap_us = at_us - self._last_us
            if gap_us < self._nearest_us:
                self.rejected += 1
                return
            self._gap(gap_us)
        self.edges += 1
        self._last_us = self._newest_us = at_us

    def _gap(self, gap_us: int) -> None:
        self.standing = False
        self._gaps.append(gap_us)
        longest_us = max(self._gaps)
        if len(self._gaps) == self.magnets:
            self.edge_gap_us = longest_us
            wait_ms = longest_us // _US_PER_MS * _LATE_FIFTHS // 5
            self._wait_ms = min(_LONGEST_MS, max(_SHORTEST_MS, wait_ms))
        turn_us = sum(self._gaps) / len(self._gaps) * self.magnets
        self._turn_rpm = _MINUTE_US / turn_us
