"""Cuts a record over 10-minute buckets so that roll-ups are the exact sum of the records.

Every total is split in proportion to time, in integers, the remainder to the later part. Days are sums of whole
buckets, since buckets are counted from local midnight. A channel weighs only the part of the record that it
speaks of (its last `span_ms`), by the time in it that was measured.
"""

from __future__ import annotations

from operator import mul
from typing import TYPE_CHECKING

import msgspec

from wheelpit.store.packing import Sums, split_in_proportion

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from wheelpit.store.days import LocalDays
    from wheelpit.store.packing import Layout, Stored


class Part(msgspec.Struct, frozen=True):
    """What a record gives to one bucket.

    `length_ms` is how much of the bucket it covers, `weight_ms` the measured time in it that its channels speak of.
    """

    length_ms: int
    weight_ms: int
    counts: int  # 1 where the record ends, else 0
    totals: Sequence[int]
    record: Stored


def cut(days: LocalDays, record: Stored, end_ms: int) -> Iterator[tuple[date, int, int, Part]]:
    """Yield `(day, bucket start, bucket end, part)` for each bucket that a dated record reaches into.

    The record itself is counted in the bucket it ends in.
    """
    start_ms = record.start_ms(end_ms)
    own_ms = min(record.span_ms, end_ms - start_ms)  # the part that the channels speak of
    weight_ms = min(record.dur_ms, own_ms)
    day, low, high = days.bucket_ending(end_ms)
    if low <= start_ms:
        yield day, low, high, Part(end_ms - start_ms, weight_ms, 1, record.totals, record)
        return
    cells = list(days.buckets(start_ms, end_ms))
    lengths = [min(high, end_ms) - max(low, start_ms) for _, low, high in cells]
    own_lengths = [max(0, min(high, end_ms) - max(low, end_ms - own_ms)) for _, low, high in cells]
    weights = split_in_proportion(weight_ms, own_lengths)
    shares = [split_in_proportion(amount, lengths) for amount in record.totals]
    totals = list(zip(*shares, strict=True)) if shares else [()] * len(cells)
    for place, (day, low, high) in enumerate(cells):
        counts = int(place == len(cells) - 1)
        yield day, low, high, Part(lengths[place], weights[place], counts, totals[place], record)


def summed(layout: Layout, parts: Sequence[Part]) -> Sums:
    """Return the sum of parts that records of one layout gave to one bucket: column by column, not part by part."""
    totals = map(sum, zip(*(part.totals for part in parts), strict=True))
    sums = Sums(
        sum(part.length_ms for part in parts),
        max(part.record.row_ms for part in parts),
        sum(part.counts for part in parts),
        dict(zip(layout.totals, totals, strict=True)),
    )
    told = [part for part in parts if part.weight_ms]
    if told:
        weights = [part.weight_ms for part in told]
        means = zip(*(part.record.mean for part in told), strict=True)
        lows = zip(*(part.record.low for part in told), strict=True)
        highs = zip(*(part.record.high for part in told), strict=True)
        for name, mean, low, high in zip(layout.channels, means, lows, highs, strict=True):
            cell = _cell(weights, mean, low, high)
            if cell is not None:
                sums.channels[name] = cell
    return sums


def _cell(
    weights: Sequence[int],
    means: Sequence[int | None],
    lows: Sequence[int | None],
    highs: Sequence[int | None],
) -> list[int] | None:
    """Return what `Sums.channels` holds of a channel; None where none of the parts could read it."""
    if None in means or None in lows or None in highs:
        read = [
            (weight, mean, mean if low is None else low, mean if high is None else high)
            for weight, mean, low, high in zip(weights, means, lows, highs, strict=True)
            if mean is not None
        ]
        if not read:
            return None
        weights, means, lows, highs = zip(*read, strict=True)
    return [sum(weights), sum(map(mul, weights, means)), min(lows), max(highs)]
