"""A record cut over buckets loses nothing and invents nothing."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from wheelpit.store.days import LocalDays
from wheelpit.store.packing import Layout, Stored, Sums
from wheelpit.store.rollup import cut, summed

LAYOUT = Layout(("battery_v", "charge_a"), ("charge_mwh", "charge_valid_ms"))
ZONES = [LocalDays(name) for name in ("Europe/London", "Australia/Lord_Howe", "Asia/Kathmandu")]
LATEST = 1_800_000_000_000


def a_record(
    *, row_ms: int, clip_ms: int, span_ms: int, dur_ms: int, mean: list[int | None], totals: list[int]
) -> Stored:
    return Stored(
        seq=9, first=9, up_ms=row_ms, row_ms=row_ms, clip_ms=clip_ms, span_ms=span_ms, dur_ms=dur_ms,
        clock=1, state=0, check=0, mean=mean, low=mean, high=mean, faults=[0, 0], totals=totals,
    )  # fmt: skip


@given(
    st.sampled_from(ZONES),
    st.integers(1_700_000_000_000, LATEST),
    st.integers(1, 2 * 86_400_000),
    st.data(),
)
def test_parts_sum_to_the_record(days: LocalDays, end_ms: int, row_ms: int, data: st.DataObject) -> None:
    clip_ms = data.draw(st.integers(0, row_ms))
    span_ms = data.draw(st.integers(1, 2 * row_ms))
    dur_ms = data.draw(st.integers(0, span_ms))
    totals = [data.draw(st.integers(0, 1 << 50)), row_ms]
    record = a_record(
        row_ms=row_ms, clip_ms=clip_ms, span_ms=span_ms, dur_ms=dur_ms, mean=[12_500, None], totals=totals
    )
    whole = Sums()
    spans = []
    for day, start, end, part in cut(days, record, end_ms):
        assert start < end
        assert days.bounds(day)[0] <= start
        assert end <= days.bounds(day)[1]
        spans.append((start, end, part.length_ms))
        whole.add(summed(LAYOUT, [part]))
    assert [whole.totals[name] for name in LAYOUT.totals] == totals
    assert whole.records == 1
    assert whole.span_ms == row_ms - clip_ms
    assert "charge_a" not in whole.channels
    weight = min(dur_ms, span_ms, row_ms - clip_ms)
    told = whole.channels.get("battery_v", [0, 0, 12_500, 12_500])
    assert told == [weight, 12_500 * weight, 12_500, 12_500]
    # Every inner bucket is covered whole.
    assert all(end - start == span for start, end, span in spans[1:-1])


def test_energy_of_a_lost_stretch_is_spread_and_the_channels_are_not() -> None:
    """Three hours lost before a record of 10 s: its energy is spread over them, its voltage is not."""
    days = ZONES[0]
    end_ms = days.bounds(days.day_ending(LATEST))[0] + 12 * 3_600_000
    record = a_record(
        row_ms=3 * 3_600_000,
        clip_ms=0,
        span_ms=10_000,
        dur_ms=10_000,
        mean=[12_500, 100],
        totals=[18_000, 3 * 3_600_000],
    )
    parts = [summed(LAYOUT, [part]) for _, _, _, part in cut(days, record, end_ms)]
    assert [part.totals["charge_mwh"] for part in parts] == [1000] * 18
    assert [name for part in parts for name in part.channels] == ["battery_v", "charge_a"]
    assert parts[-1].channels["battery_v"][0] == 10_000


@given(
    st.lists(
        st.tuples(*[st.none() | st.integers(-(1 << 40), 1 << 40)] * 2, st.integers(0, 1 << 40)), min_size=1
    )
)
def test_parts_summed_together_are_their_sum_one_by_one(
    told: list[tuple[int | None, int | None, int]],
) -> None:
    records = [
        a_record(
            row_ms=10_000,
            clip_ms=0,
            span_ms=10_000,
            dur_ms=amount % 3,
            mean=[volts, amps],
            totals=[amount, 7],
        )
        for volts, amps, amount in told
    ]
    parts = [
        part
        for place, record in enumerate(records)
        for _, _, _, part in cut(ZONES[0], record, LATEST + 10_000 * place)
    ]
    one_by_one = Sums()
    for part in parts:
        one_by_one.add(summed(LAYOUT, [part]))
    assert summed(LAYOUT, parts) == one_by_one
