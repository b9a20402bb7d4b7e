"""Joining records: what may be joined, and what the joined one says."""

from __future__ import annotations

import importlib
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import pytest
from flash_bench import MIDNIGHT_MS, Plant, flash_pack, flash_segment, names

flash_fold: Any = importlib.import_module("node.flash_fold")

MINUTE: Final = 60_000
QUARTER: Final = 900_000


def folded(some: list[Any], grain_ms: int, layout: Any) -> list[Any]:
    """Join records as the ring does: through segments."""
    shape = flash_pack.shape_of(layout.channel_mask, layout.total_mask)
    source, out = flash_segment.Segment(), flash_segment.Segment()
    joiner = flash_fold.Joiner(out)
    out.start(b"8 bytes.", 2, 1, 0)
    joiner.begin(out, grain_ms)
    for rec in some:
        source.start(b"8 bytes.", 1, 0, 0)
        assert source.add(rec, shape)
        if not joiner.add(source.read(0)):
            pytest.fail("the records of this test must fit in one segment")
    assert joiner.end()
    return [out.read(i) for i in range(out.count)]


def ranges(some: list[Any]) -> list[tuple[int, int]]:
    return [(rec.first, rec.n) for rec in some]


def test_neighbours_of_a_minute_become_one_and_no_joule_is_lost() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(18)]
    found = folded(some, MINUTE, plant.layout)
    assert ranges(found) == [(1, 6), (7, 12), (13, 18)]
    assert [rec.total for rec in found] == [some[i].total for i in (5, 11, 17)]
    assert [(rec.up_ms, rec.end_ms, rec.span_ms) for rec in found] == [
        (minute * MINUTE, MIDNIGHT_MS + minute * MINUTE, MINUTE) for minute in (1, 2, 3)
    ]
    for rec, part in zip(found, (some[:6], some[6:12], some[12:]), strict=True):
        for i in range(len(rec.mean)):
            values = [one.mean[i] for one in part if one.mean[i] is not None]
            assert rec.min[i] == min(one.min[i] for one in part if one.min[i] is not None)
            assert rec.max[i] == max(one.max[i] for one in part if one.max[i] is not None)
            assert abs(rec.mean[i] - sum(values) / len(values)) <= 0.5
        assert rec.state == part[-1].state


def test_means_are_weighted_by_the_measured_time() -> None:
    plant = Plant()
    some = [plant.record(), plant.record()]
    some[0].dur_ms, some[1].dur_ms = 9_000, 3_000
    some[0].mean, some[1].mean = [1000] * 4, [5000] * 4
    for rec in some:
        rec.faults = [None] * 4
        rec.min, rec.max = rec.mean, rec.mean
    (found,) = folded(some, MINUTE, plant.layout)
    assert found.mean == [2000] * 4
    assert (found.dur_ms, found.span_ms) == (12_000, 20_000)


def test_a_channel_that_failed_throughout_stays_empty_with_its_code() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(6)]
    for rec in some:
        rec.mean[1] = rec.min[1] = rec.max[1] = None
        rec.faults[1] = "bus"
        rec.mean[2] = rec.min[2] = rec.max[2] = 13_500 if rec.n == 4 else None
        rec.faults[2] = None if rec.n == 4 else "stuck"
    (found,) = folded(some, MINUTE, plant.layout)
    assert (found.mean[1], found.faults[1]) == (None, "bus")
    assert (found.mean[2], found.faults[2]) == (13_500, None)


def test_nothing_is_joined_across_a_hole() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(6)]
    del some[2]
    assert ranges(folded(some, MINUTE, plant.layout)) == [(1, 2), (4, 6)]


def test_nothing_is_joined_across_a_boot() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(3)]
    plant.start(2)
    some += [plant.record() for _ in range(3)]
    assert [(rec.boot, rec.first, rec.n) for rec in folded(some, QUARTER, plant.layout)] == [
        (1, 1, 3),
        (2, 1, 3),
    ]


def test_nothing_is_joined_across_a_boot_whose_numbers_happen_to_go_on() -> None:
    plant = Plant()
    before = [plant.record() for _ in range(3)]
    plant.start(2)
    after = [plant.record() for _ in range(3)]
    for rec, n in zip(after, (4, 5, 6), strict=True):  # as if the records 1 to 3 of this boot were lost
        rec.first = rec.n = n
    found = folded(before + after, QUARTER, plant.layout)
    assert [(rec.boot, rec.first, rec.n) for rec in found] == [(1, 1, 3), (2, 4, 6)]


def test_without_a_clock_up_time_takes_its_place_and_dated_records_stay_apart() -> None:
    plant = Plant()
    plant.anchor_ms = None
    some = [plant.record() for _ in range(9)]
    plant.anchor_ms = MIDNIGHT_MS
    some += [plant.record() for _ in range(6)]
    assert ranges(folded(some, MINUTE, plant.layout)) == [(1, 6), (7, 9), (10, 12), (13, 15)]


@pytest.mark.parametrize("shift_ms", [-900, -3, 3, 900])
def test_a_clock_set_a_little_neither_overlaps_nor_leaves_a_gap(shift_ms: int) -> None:
    plant = Plant()
    plant.up_ms = MINUTE
    plant.anchor_ms = MIDNIGHT_MS - MINUTE
    some = [plant.record() for _ in range(3)]
    plant.anchor_ms += shift_ms
    some.append(plant.record(10_000 - shift_ms))  # the recorder goes on to the same grid of Unix time
    some += [plant.record() for _ in range(2)]
    (found,) = folded(some, MINUTE, plant.layout)
    assert (found.end_ms, found.span_ms) == (MIDNIGHT_MS + MINUTE, MINUTE)
    assert found.dur_ms <= found.span_ms


def test_records_on_both_sides_of_a_large_step_of_the_clock_stay_apart() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(3)]
    plant.anchor_ms = MIDNIGHT_MS + 5_000
    some += [plant.record() for _ in range(3)]
    assert ranges(folded(some, QUARTER, plant.layout)) == [(1, 3), (4, 6)]


def test_folding_in_steps_gives_the_same_totals_and_bounds_as_at_once() -> None:
    plant = Plant()
    some = [plant.record() for _ in range(270)]
    minutes = [rec for at in range(0, 270, 30) for rec in folded(some[at : at + 30], MINUTE, plant.layout)]
    fives = [rec for at in range(0, 45, 15) for rec in folded(minutes[at : at + 15], 300_000, plant.layout)]
    quarters = folded(fives, QUARTER, plant.layout)
    assert ranges(quarters) == [(1, 90), (91, 180), (181, 270)]
    assert [rec.total for rec in quarters] == [some[i].total for i in (89, 179, 269)]
    assert quarters[0].min[3] == min(rec.min[3] for rec in some[:90] if rec.min[3] is not None)


@pytest.mark.parametrize(
    "zone",
    ["UTC", "Asia/Kathmandu", "Australia/Eucla", "Pacific/Chatham", "Australia/Lord_Howe", "Europe/Berlin"],
)
def test_no_joined_record_crosses_a_midnight_of_any_zone(zone: str) -> None:
    # Offsets of all zones in use since 1972 are whole quarters of an hour: IANA time zone database.
    midnight = datetime(2026, 10, 26, tzinfo=ZoneInfo(zone))
    assert (midnight.utcoffset() or timedelta()) % timedelta(minutes=15) == timedelta()
    edge_ms = int(midnight.timestamp() * 1000)
    plant = Plant()
    plant.anchor_ms = edge_ms - 400_000
    some = [plant.record() for _ in range(80)]
    found = folded(some, QUARTER, plant.layout)
    assert any(rec.end_ms == edge_ms for rec in found)
    for rec in found:
        assert not rec.end_ms - rec.span_ms < edge_ms < rec.end_ms


def test_a_joined_record_says_which_layout_it_has() -> None:
    plant = Plant()
    (found,) = folded([plant.record(), plant.record()], MINUTE, plant.layout)
    assert found.layout.channels == plant.layout.channels
    assert found.first + found.boot * names.SEQ_PER_BOOT == names.SEQ_PER_BOOT + 1
