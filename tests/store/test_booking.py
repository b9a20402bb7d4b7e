"""The booking rules, one by one: a decision from a head and a record, nothing else."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import (
    FARTHEST_AHEAD,
    BadRecord,
    Booked,
    Disbelieved,
    Duplicate,
    Head,
    Hole,
    Missing,
    Refused,
    take,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.contract.messages import Record

BOOT = SEQ_PER_BOOT


@pytest.fixture
def after(record: Callable[..., Record]) -> Callable[[int], Head]:
    """Return a function that gives the head after record `n` of boot 1 was booked."""

    def give(n: int) -> Head:
        made = record(n)
        return Head(made.seq, made.seq, made.up_ms, made.total)

    return give


def test_the_first_record_is_booked_from_zero(record: Callable[..., Record]) -> None:
    decision = take(Head(), 0, record(1))
    assert isinstance(decision, Booked)
    assert decision.stored.totals == [100, 10_000]
    assert decision.stored.row_ms == 10_000
    assert decision.holes == ()


def test_the_next_one_is_booked_as_the_difference(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    decision = take(after(5), BOOT + 5, record(6, mwh=777))
    assert isinstance(decision, Booked)
    assert decision.stored.totals == [277, 10_000]


def test_a_lost_record_leaves_its_energy_to_the_next(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    decision = take(after(2), BOOT + 2, record(6))
    assert isinstance(decision, Booked)
    assert decision.holes == (Hole(BOOT + 3, BOOT + 5, "gap", "the node no longer held it"),)
    assert decision.stored.totals == [400, 40_000]
    assert decision.stored.row_ms == 40_000
    assert decision.stored.span_ms == 10_000


def test_a_fold_over_booked_records_adds_what_is_left(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    fold = record(6, first=BOOT + 1, span_ms=60_000, dur_ms=60_000)
    decision = take(after(4), 0, fold)
    assert isinstance(decision, Booked)
    assert decision.holes == ()
    assert decision.stored.totals == [200, 20_000]


def test_what_comes_twice_adds_nothing(record: Callable[..., Record], after: Callable[[int], Head]) -> None:
    assert take(after(5), BOOT + 4, record(5)) == Duplicate(BOOT + 5)
    assert take(after(5), 0, record(1)) == Duplicate(BOOT + 1)


def test_nothing_is_booked_past_a_record_that_the_node_still_holds(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    assert take(after(5), BOOT + 6, record(7)) == Missing(BOOT + 6)


def test_a_new_boot_begins_at_zero_and_its_skipped_numbers_are_no_gap(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    decision = take(after(5), BOOT + 5, record(1, boot=4))
    assert isinstance(decision, Booked)
    assert decision.holes == ()
    assert decision.stored.totals == [100, 10_000]


def test_records_lost_at_the_beginning_of_a_boot_are_a_gap_of_that_boot(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    decision = take(after(5), BOOT + 5, record(3, boot=2))
    assert isinstance(decision, Booked)
    assert decision.holes == (Hole(2 * BOOT + 1, 2 * BOOT + 2, "gap", "the node no longer held it"),)
    assert decision.stored.row_ms == 30_000
    assert decision.stored.totals == [300, 30_000]


def test_a_total_that_a_record_lacks_is_made_up_by_the_next(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    first = take(after(5), BOOT + 5, record(6, total={"charge_valid_ms": 60_000}))
    assert isinstance(first, Booked)
    second = take(first.head, BOOT + 6, record(7))
    assert isinstance(second, Booked)
    assert dict(zip(second.layout.totals, second.stored.totals, strict=True)) == {
        "charge_mwh": 200,
        "charge_valid_ms": 10_000,
    }


def test_unknown_names_are_ignored_and_unknown_faults_kept_as_other(record: Callable[..., Record]) -> None:
    made = record(
        1,
        mean={"battery_v": None, "moon_phase": 1.0},
        min={"battery_v": None},
        max={"battery_v": None},
        faults={"battery_v": "gremlins", "charge_a": "bus"},
        total={"charge_mwh": 1, "smiles": 3},
    )
    decision = take(Head(), 0, made)
    assert isinstance(decision, Booked)
    assert decision.layout.channels == ("battery_v", "charge_a")
    assert decision.layout.totals == ("charge_mwh",)
    assert decision.stored.mean == [None, None]
    assert decision.stored.faults == [7, 2]


NONSENSE: dict[str, dict[str, Any]] = {
    "charge_mwh fell from 500 to 499": {"mwh": 499},
    "dur_ms 10001 is longer than span_ms": {"dur_ms": 10_001},
    "span_ms 0 does not fit": {"span_ms": 0, "dur_ms": 0},
    "span_ms 60001 does not fit into up_ms": {"span_ms": 60_001},
    "first 5 does not lie before": {"first": 5},
    "does not lie before seq 16777222": {"first": BOOT + 7},
    "up_ms 50000 does not come after 50000": {"up_ms": 50_000},
    "is not the uptime of a node": {"up_ms": 1 << 52},
    "battery_v inf is not a measured value": {"mean": {"battery_v": float("inf")}},
    "battery_v nan is not a measured value": {"max": {"battery_v": float("nan")}},
    "battery_v -1e.300 is not a measured value": {"min": {"battery_v": -1e300}},
    "charge_mwh grew by .* more than any machine": {"mwh": 1 << 52},
}


@pytest.mark.parametrize("reason", NONSENSE)
def test_nonsense_is_refused_by_name_and_accounted_for(
    reason: str, record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    head = after(5)
    decision = take(head, BOOT + 5, record(6, **NONSENSE[reason]), known_boot=1)
    assert isinstance(decision, Refused)
    assert re.search(reason, decision.reason), decision.reason
    assert decision.head == Head(BOOT + 6, head.booked_seq, head.up_ms, head.totals)
    assert [(hole.first, hole.last, hole.kind) for hole in decision.holes] == [
        (BOOT + 6, BOOT + 6, "refused")
    ]
    # The next good record brings the energy of the refused one.
    following = take(decision.head, BOOT + 6, record(7))
    assert isinstance(following, Booked)
    assert following.holes == ()
    assert following.stored.totals == [200, 20_000]


def test_a_record_number_that_outruns_the_clock_is_refused(record: Callable[..., Record]) -> None:
    decision = take(Head(), 0, record(150, up_ms=10_000, span_ms=1000, dur_ms=0), known_boot=1)
    assert isinstance(decision, Refused)
    assert "record number 150 of a boot cannot come after 10000 ms" in decision.reason


def test_a_refused_record_declares_the_hole_before_it_too(after: Callable[[int], Head]) -> None:
    decision = take(after(2), BOOT + 2, BadRecord(BOOT + 9, BOOT + 7, "spoiled", b""), known_boot=1)
    assert isinstance(decision, Refused)
    assert [(hole.first - BOOT, hole.last - BOOT, hole.kind) for hole in decision.holes] == [
        (3, 6, "gap"),
        (7, 9, "refused"),
    ]


@pytest.mark.parametrize(
    "seq", [BOOT + FARTHEST_AHEAD + 6, 5 * BOOT + 1, 1 << 52, BOOT * 2], ids=["far", "boot", "wild", "zero"]
)
def test_an_unusable_record_with_a_wild_number_does_not_move_the_head(
    seq: int, after: Callable[[int], Head]
) -> None:
    decision = take(after(5), BOOT + 5, BadRecord(seq, None, "spoiled", b""), known_boot=2)
    assert decision == Disbelieved("spoiled")


def test_what_lies_behind_an_unreadable_record_is_refused_not_a_gap(
    record: Callable[..., Record], after: Callable[[int], Head]
) -> None:
    assert take(after(2), BOOT + 2, BadRecord(None, None, "unreadable", b"")) == Disbelieved("unreadable")
    decision = take(after(2), BOOT + 2, record(4), unreadable_before=True)
    assert isinstance(decision, Booked)
    assert [(hole.first - BOOT, hole.last - BOOT, hole.kind) for hole in decision.holes] == [
        (3, 3, "refused")
    ]
