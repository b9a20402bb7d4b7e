"""When something was not measured: stretches of a period, found in its ten-minute roll-ups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# Less than this of a stretch may be missing without a word: clocks of node and host drift by fractions of it.
SHORTEST_MS: Final = 1_000


@dataclass(frozen=True, slots=True)
class Gap:
    """Somewhere in `(start_ms, end_ms]` [Unix ms] so much was not measured; all of it where the two are alike."""

    start_ms: int
    end_ms: int
    missing_ms: int


def gaps_of(
    starts: NDArray[np.int64], ends: NDArray[np.int64], valid_ms: NDArray[np.int64], from_ms: int, to_ms: int
) -> tuple[Gap, ...]:
    """Return the gaps within a period, oldest first; neighbours are one.

    Args:
        starts: Where the roll-ups that have records begin, in order [Unix ms].
        ends: Where they end.
        valid_ms: How long each measured what is asked for.
        from_ms: Where the period begins.
        to_ms: Where it ends, or now if that is sooner.

    """
    found: list[Gap] = []

    def add(start: int, end: int, missing: int) -> None:
        if missing < SHORTEST_MS:
            return
        if found and found[-1].end_ms == start:
            last = found.pop()
            start, missing = last.start_ms, last.missing_ms + missing
        found.append(Gap(start, end, missing))

    upto = from_ms
    for start, end, valid in zip(starts.tolist(), ends.tolist(), valid_ms.tolist(), strict=True):
        if start >= to_ms:
            break
        if start > upto:
            add(upto, start, start - upto)
        last = min(end, to_ms)
        add(start, last, max(0, last - start - valid))
        upto = last
    if to_ms > upto:
        add(upto, to_ms, to_ms - upto)
    return tuple(found)
