"""Decodes many packed bodies of one layout at once (`wheelpit.store.packing` says how they are packed).

A number of up to eight bytes is read as one word of 64 bits, and its groups of seven are pushed together in three steps
for all numbers at once. Only readers import this: the service must not load numpy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.store.packing import ROLLUP_HEAD, Sums, sums_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wheelpit.store.packing import Layout

    Whole = NDArray[np.int64]
    Words = NDArray[np.uint64]

SUMS_CELL: Final = 4  # numbers of a channel in a roll-up: measured time, sum, least, most
_AT_ONCE: Final = 8192  # numbers: what is worked on stays in the processor's cache, and memory is used again
_WORD: Final = 8  # bytes
_MOST_BYTES: Final = 9  # 63 bits in groups of seven
_MASKS: Final = np.array([(1 << (8 * min(size, _WORD))) - 1 for size in range(_MOST_BYTES + 1)], np.uint64)
# Which bits stay, which move down, and by how many: groups of 7 become groups of 14, of 28, of 56 bits.
_STEPS: Final = tuple(
    tuple(np.uint64(number) for number in step)
    for step in (
        (0x007F007F007F007F, 0x7F007F007F007F00, 1),
        (0x00003FFF00003FFF, 0x3FFF00003FFF0000, 2),
        (0x000000000FFFFFFF, 0x0FFFFFFF00000000, 4),
    )
)
_ONE: Final = np.uint64(1)


def unpack_columns(bodies: Sequence[bytes], count: int, places: Sequence[int] | None = None) -> Whole:
    """Return numbers of bodies of one layout as columns: a row for each place, a cell in it for each body.

    Args:
        bodies: The bodies.
        count: How many numbers each has.
        places: Which of them are wanted; all where it is None.

    Raises:
        ValueError: A body has another count of numbers, or one that is wanted needs more than 63 bits.

    """
    wanted = np.arange(count) if places is None else np.array(places, np.int64)
    found = np.empty((wanted.size, len(bodies)), np.int64)
    step = max(_AT_ONCE // max(count, 1), 1)
    for at in range(0, len(bodies), step):
        part = bodies[at : at + step]
        # A word may be read from the last byte on.
        raw = np.frombuffer(b"".join((*part, bytes(_WORD))), np.uint8)
        size = raw.size - _WORD
        ends = np.flatnonzero(raw[:size] < 128)  # noqa: PLR2004 - the top bit says that more follows
        if ends.size != len(part) * count or ends[-1] != size - 1:
            msg = (
                f"{len(part)} packed bodies of {count} numbers each were expected, {ends.size} numbers found"
            )
            raise ValueError(msg)
        starts = np.empty_like(ends)
        starts[0] = 0
        np.add(ends[:-1], 1, out=starts[1:])
        if places is not None:
            starts, ends = (cells.reshape(-1, count).T[wanted].ravel() for cells in (starts, ends))
            found[:, at : at + step] = _decoded(raw, starts, ends).reshape(wanted.size, len(part))
        else:
            found[:, at : at + step] = _decoded(raw, starts, ends).reshape(-1, count).T
    return found


def unpack_many_sums(layout: Layout, bodies: Sequence[bytes]) -> list[Sums]:
    """Return roll-ups of one layout, each as `wheelpit.store.packing.unpack_sums` returns it.

    Raises:
        ValueError: A body does not fit the layout, or a number in it needs more than 63 bits.

    """
    count = len(ROLLUP_HEAD) + SUMS_CELL * len(layout.channels) + len(layout.totals)
    return [sums_of(layout, values) for values in unpack_columns(bodies, count).T.tolist()]


def _decoded(raw: NDArray[np.uint8], starts: Whole, ends: Whole) -> Whole:
    """Return the numbers that lie from some bytes to others, both included."""
    lengths = ends - starts
    lengths += 1
    longest = int(lengths.max(initial=0))
    if longest > _MOST_BYTES:
        raise ValueError("a packed number needs more than 63 bits")
    words: Words = np.ndarray((raw.size - _WORD,), np.dtype("<u8"), raw.data, 0, (1,)).take(starts)
    words &= _MASKS.take(lengths)
    for stay, move, by in _STEPS:
        moved = words & move
        moved >>= by
        words &= stay
        words |= moved
    if longest > _WORD:
        ninth = np.flatnonzero(lengths == _MOST_BYTES)
        words[ninth] |= raw[ends[ninth]].astype(np.uint64) << np.uint64(7 * _WORD)
    sign = (words & _ONE).view(np.int64)
    words >>= _ONE
    numbers = words.view(np.int64)
    numbers ^= np.negative(sign, out=sign)
    return numbers
