"""Cuts a record over 10-minute buckets so that roll-ups are the exact sum of the records.

Every total is split in proportion to time, in integers, the remainder to the later part. Days are sums of whole
buckets, since buckets are counted from local midnight. A channel weighs only the part of the record that it
speaks of (its last `span_ms`), by the time in it that was measured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from wheelpit.store.packing import Layout, Stored, Sums, split_in_proportion

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from wheelpit.store.days import LocalDays


def _whole(layout: Layout, record: Stored, length_ms: int, weight_ms: int) -> Sums:
    """Return the record as one part."""
    sums = Sums(length_ms, record.row_ms, 1, dict(zip(layout.totals, record.totals, strict=True)))
    if weight_ms:
        for name, mean, low, high in zip(layout.channels, record.mean, record.low, record.high, strict=True):
            if mean is not None:
                least = mean if low is None else low
                most = mean if high is None else high
                sums.channels[name] = [weight_ms, mean * weight_ms, least, most]
    return sums


def cut(
    days: LocalDays, layout: Layout, record: Stored, end_ms: int
) -> Iterator[tuple[date, int, int, Sums]]:
    """Yield `(day, bucket start, bucket end, part)` for each bucket that a dated record reaches into.

    The record itself is counted in the bucket it ends in.
    """
    start_ms = record.start_ms(end_ms)
    own_ms = min(record.span_ms, end_ms - start_ms)  # the part that the channels speak of
    weight_ms = min(record.dur_ms, own_ms)
    day, low, high = days.bucket_ending(end_ms)
    if low <= start_ms:
        yield day, low, high, _whole(layout, record, end_ms - start_ms, weight_ms)
        return
    cells = list(days.buckets(start_ms, end_ms))
    lengths = [min(high, end_ms) - max(low, start_ms) for _, low, high in cells]
    own_lengths = [max(0, min(high, end_ms) - max(low, end_ms - own_ms)) for _, low, high in cells]
    weights = split_in_proportion(weight_ms, own_lengths)
    totals = [split_in_proportion(amount, lengths) for amount in record.totals]
    for place, (day, low, high) in enumerate(cells):
        part = _whole(layout, record, lengths[place], weights[place])
        part.records = 1 if place == len(cells) - 1 else 0
        part.totals = {name: totals[i][place] for i, name in enumerate(layout.totals)}
        yield day, low, high, part
