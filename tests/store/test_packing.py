"""Packed bodies give back what was put in, and stay small."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.contract.names import CHANNELS, TOTALS
from wheelpit.store.packing import (
    PER_UNIT,
    RECORD_HEAD,
    Layout,
    Stored,
    Sums,
    decode,
    encode,
    pack_record,
    pack_sums,
    split_in_proportion,
    unpack_record,
    unpack_sums,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.contract.messages import Record

ANY = st.integers(-(1 << 80), 1 << 80)
STEP = st.integers(-(1 << 40), 1 << 40)


@given(st.lists(ANY))
def test_integers_of_any_size_come_back(values: list[int]) -> None:
    assert decode(encode(values)) == values


# The zigzag and base-128 examples that the Protocol Buffers encoding guide prints.
@pytest.mark.parametrize(
    ("value", "zigzag"),
    [(0, 0), (-1, 1), (1, 2), (-2, 3), (2147483647, 4294967294), (-2147483648, 4294967295)],
)
def test_small_negatives_stay_small(value: int, zigzag: int) -> None:
    low_first = []
    while zigzag > 127:
        low_first.append(zigzag % 128 + 128)
        zigzag //= 128
    assert encode([value]) == bytes([*low_first, zigzag])


def test_a_body_that_ends_inside_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="ends inside a number"):
        decode(encode([1, 300])[:-1])


def test_every_step_is_a_whole_number_per_unit() -> None:
    for channel in CHANNELS.values():
        assert PER_UNIT[channel.name] * channel.step == pytest.approx(1, abs=1e-12)


@st.composite
def stored(draw: st.DrawFn) -> tuple[Layout, Stored]:
    layout = Layout.of(
        draw(st.sets(st.sampled_from(list(CHANNELS)))), draw(st.sets(st.sampled_from(list(TOTALS))))
    )
    channels = len(layout.channels)
    cell = st.lists(st.none() | STEP, min_size=channels, max_size=channels)
    # Least and most are kept as distances from the mean, so they go with it.
    mean = draw(cell)
    low = [None if value is None else draw(STEP) for value in mean]
    high = [None if value is None else draw(STEP) for value in mean]
    seq = draw(st.integers(1, (1 << 53) - 1))
    big = st.integers(0, 1 << 53)
    row_ms, span_ms = draw(big), draw(big)
    return layout, Stored(
        seq=seq,
        first=draw(st.integers(1, seq)),
        up_ms=draw(big),
        row_ms=row_ms,
        clip_ms=draw(st.integers(0, row_ms)),
        span_ms=span_ms,
        dur_ms=draw(st.integers(0, span_ms)),
        clock=draw(st.integers(0, 2)),
        state=draw(st.integers(0, 4)),
        check=draw(st.integers(0, 0x1FFF)),
        mean=mean,
        low=low,
        high=high,
        faults=draw(st.lists(st.integers(0, 7), min_size=channels, max_size=channels)),
        totals=draw(st.lists(big, min_size=len(layout.totals), max_size=len(layout.totals))),
    )


@given(stored())
def test_a_record_comes_back(made: tuple[Layout, Stored]) -> None:
    layout, record = made
    body = pack_record(layout, record)
    assert unpack_record(layout, record.seq, body) == record
    # Fixed by the layout, so that many bodies can be decoded together.
    assert len(decode(body)) == len(RECORD_HEAD) + 3 * len(layout.channels) + len(layout.totals)


def test_a_body_of_another_layout_is_refused() -> None:
    body = encode([0] * 12)
    with pytest.raises(ValueError, match="its layout asks for 14"):
        unpack_record(Layout(("battery_v",), ()), 1, body)
    with pytest.raises(ValueError, match="its layout asks for 7"):
        unpack_sums(Layout(("battery_v",), ()), body)


@given(
    st.dictionaries(st.sampled_from(list(TOTALS)), st.integers(0, 1 << 60)),
    st.dictionaries(st.sampled_from(list(CHANNELS)), st.tuples(st.integers(1, 1 << 40), ANY, STEP, STEP)),
)
def test_a_rollup_comes_back(totals: dict[str, int], channels: dict[str, tuple[int, int, int, int]]) -> None:
    sums = Sums(5, 6, 7, totals, {name: list(cell) for name, cell in channels.items()})
    assert unpack_sums(*pack_sums(sums)) == sums


@given(st.integers(0, 1 << 60), st.lists(st.integers(0, 1 << 40), min_size=1, max_size=50))
def test_parts_sum_to_the_whole_and_are_in_proportion(amount: int, lengths: list[int]) -> None:
    parts = split_in_proportion(amount, lengths)
    assert sum(parts) == amount
    whole = sum(lengths)
    for part, length in zip(parts, lengths, strict=True):
        # No part is more than one unit away from its exact share; what is left over goes to later ones.
        assert whole == 0 or abs(part * whole - amount * length) < whole
    if whole:
        assert parts[0] * whole <= amount * lengths[0]


def _bytes_per_record(record: Callable[..., Record], channels: list[str], totals: list[str]) -> float:
    from wheelpit.store import booking  # noqa: PLC0415 - only this test books

    head, size, count = booking.Head(), 0, 200
    for n in range(1, count + 1):
        # Steady running, as of the demo plant: values of four digits, a spread of some percent.
        mean = dict.fromkeys(channels, 10.0 + (n * 37 % 100) / 50)
        made = record(
            n,
            mean=mean,
            min={name: value - 0.3 for name, value in mean.items()},
            max={name: value + 0.3 for name, value in mean.items()},
            total={name: n * 10_000 if name.endswith("_ms") else n * 150 for name in totals},
        )
        decision = booking.take(head, made.seq - 1 if n > 1 else 0, made)
        assert isinstance(decision, booking.Booked)
        head = decision.head
        size += len(pack_record(decision.layout, decision.stored))
    return size / count


def test_records_are_small(
    record: Callable[..., Record], record_property: Callable[[str, object], None]
) -> None:
    """The keys and the time index of a row cost about 50 bytes more."""
    four = ["wheel_rpm", "rectified_v", "battery_v", "charge_a"]
    few = [
        "wheel_edges",
        "wheel_mrev",
        "wheel_valid_ms",
        "turning_ms",
        "charging_ms",
        "charge_mwh",
        "charge_valid_ms",
    ]
    small = _bytes_per_record(record, four, few)
    large = _bytes_per_record(record, list(CHANNELS)[:12], list(TOTALS))
    record_property("record_bytes_4ch", small)
    record_property("record_bytes_12ch", large)
    assert small <= 60
    assert large <= 150
