"""What the ledger makes of what nodes say: dates, days, stores that change hands, dead letters."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from wheelpit.contract.messages import Live
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import BadRecord, Sent
from wheelpit.store.tables import DeadLetters

if TYPE_CHECKING:
    from collections.abc import Callable

    import pytest

    from wheelpit.contract.messages import Record
    from wheelpit.store.bookkeeper import Bookkeeper

BOOT = SEQ_PER_BOOT
OTHER = "fedcba9876543210"


def live(**changed: Any) -> Live:
    told: dict[str, Any] = {
        "journal": "0123456789abcdef",
        "boot": 1,
        "up_ms": 5_000,
        "at_ms": None,
        "clock": "none",
        "state": "turning",
        "edge_age_ms": None,
        "edge_gap_ms": None,
        "values": {},
    }
    return Live(**(told | changed))


def test_a_batch_is_booked_and_the_receipt_says_how_far(desk: Any, record: Callable[..., Record]) -> None:
    taken = desk.take(record(1), record(2), record(3))
    assert taken.upto == BOOT + 3
    assert [(dated.start_ms - desk.now_ms, dated.end_ms - desk.now_ms) for dated in taken.booked] == [
        (0, 10_000),
        (10_000, 20_000),
        (20_000, 30_000),
    ]
    (day,) = desk.reader.days("site")
    assert day.day == date(2026, 6, 1)
    assert day.totals == {"charge_mwh": 300, "charge_valid_ms": 30_000}
    assert day.records == 3
    assert day.span_ms == 30_000
    assert day.channels["battery_v"].mean == 12.5


def test_everything_survives_a_restart(desk: Any, record: Callable[..., Record]) -> None:
    desk.take(record(1), record(2))
    desk.reopen()
    assert desk.take(record(1), record(2), record(3)).upto == BOOT + 3
    (day,) = desk.reader.days("site")
    assert day.totals["charge_mwh"] == 300


# Dates.


def test_a_boot_without_a_date_waits_and_is_dated_by_its_first_dated_record(
    desk: Any, record: Callable[..., Record]
) -> None:
    taken = desk.take(*(record(n, end_ms=None, clock="none") for n in (1, 2, 3)))
    assert taken.booked == []
    assert desk.reader.days("site") == []
    assert desk.reader.undated("site") == {"charge_mwh": 300, "charge_valid_ms": 30_000}
    desk.take(record(4), after=BOOT + 3)
    assert desk.reader.undated("site") == {}
    (day,) = desk.reader.days("site")
    assert day.totals == {"charge_mwh": 400, "charge_valid_ms": 40_000}
    rows = desk.reader.records("site", 0, desk.now_ms + 10**9)
    assert [row.end_ms - desk.now_ms for row in rows] == [10_000, 20_000, 30_000, 40_000]


def test_a_live_message_dates_a_boot_by_its_arrival(desk: Any, record: Callable[..., Record]) -> None:
    desk.birth()
    desk.take(record(1, end_ms=None, clock="none"))
    desk.now_ms += 12_000
    desk.run(lambda keeper: keeper.live(live(up_ms=12_000), desk.now_ms))
    (row,) = desk.reader.records("site", 0, desk.now_ms)
    assert row.end_ms == desk.now_ms - 2_000
    assert desk.one("SELECT told_by FROM boot") == "live"


def test_a_live_message_of_an_unknown_store_or_another_boot_dates_nothing(
    desk: Any, record: Callable[..., Record]
) -> None:
    desk.birth()
    desk.take(record(1, end_ms=None, clock="none"))
    desk.run(lambda keeper: keeper.live(live(journal=OTHER), desk.now_ms))
    desk.run(lambda keeper: keeper.live(live(boot=7), desk.now_ms))
    assert desk.one("SELECT count(*) FROM boot") == 0


def test_a_later_record_without_a_date_takes_its_boots_anchor(
    desk: Any, record: Callable[..., Record]
) -> None:
    desk.take(record(1), record(2, end_ms=None, clock="none"))
    assert desk.reader.undated("site") == {}
    assert desk.reader.records("site", 0, desk.now_ms + 10**9)[1].end_ms == desk.now_ms + 20_000


def test_a_factory_date_and_a_date_far_ahead_are_no_dates(desk: Any, record: Callable[..., Record]) -> None:
    """Boards begin at 2000-01-01 or 2021-01-01; a spoiled clock may say 2036."""
    desk.take(record(1, end_ms=946_684_810_000), record(2, end_ms=desk.now_ms + 3 * 86_400_000))
    assert desk.reader.days("site") == []
    assert desk.reader.undated("site")["charge_mwh"] == 200


def test_a_host_whose_clock_is_behind_believes_the_nodes_dates(
    desk: Any, record: Callable[..., Record]
) -> None:
    """A small computer without a battery-backed clock wakes up in the past."""
    desk.take(record(1))
    desk.now_ms -= 30 * 86_400_000
    assert not desk.keeper.clock_is_good(desk.now_ms)
    desk.take(record(2), record(3, end_ms=(1 << 53) - 1), after=BOOT + 1)
    assert len(desk.reader.records("site", 0, 2_000_000_000_000)) == 3  # the third by the anchor of its boot
    # ... and dates nothing by itself until a person has said that the clock is right.
    desk.run(lambda keeper: keeper.accept_clock(desk.now_ms))
    assert desk.keeper.clock_is_good(desk.now_ms)


def test_overlap_is_clipped_in_time_never_in_energy(desk: Any, record: Callable[..., Record]) -> None:
    """The node's clock is set back by 4 s between two records."""
    desk.take(record(1), record(2, end_ms=desk.now_ms + 16_000), record(3, end_ms=desk.now_ms + 26_000))
    rows = desk.reader.records("site", 0, desk.now_ms + 10**9)
    assert [(row.start_ms - desk.now_ms, row.end_ms - desk.now_ms) for row in rows] == [
        (0, 10_000),
        (10_000, 16_000),
        (16_000, 26_000),
    ]
    assert [row.totals["charge_mwh"] for row in rows] == [100, 100, 100]
    (day,) = desk.reader.days("site")
    assert day.totals["charge_mwh"] == 300
    assert day.span_ms == 26_000


def test_a_record_wholly_in_booked_time_keeps_its_energy(desk: Any, record: Callable[..., Record]) -> None:
    desk.take(record(1), record(2, end_ms=desk.now_ms + 5_000))
    rows = desk.reader.records("site", 0, desk.now_ms + 10**9)
    assert sorted((row.end_ms - row.start_ms, row.totals["charge_mwh"]) for row in rows) == [
        (0, 100),
        (10_000, 100),
    ]
    (day,) = desk.reader.days("site")
    assert day.totals["charge_mwh"] == 200


def test_a_record_over_midnight_is_split_to_the_joule(desk: Any, record: Callable[..., Record]) -> None:
    midnight = desk.keeper._summing._days.bounds(date(2026, 6, 2))[0]
    desk.take(record(1, end_ms=midnight + 3_333, mwh=101))
    days = {day.day.day: day.totals["charge_mwh"] for day in desk.reader.days("site")}
    assert days == {1: 101 * 6_667 // 10_000, 2: 101 - 101 * 6_667 // 10_000}


def test_a_new_time_zone_cuts_the_days_anew(desk: Any, record: Callable[..., Record]) -> None:
    midnight = desk.keeper._summing._days.bounds(date(2026, 6, 2))[0]
    for n in (1, 2):
        desk.take(record(n, end_ms=midnight - 10_000 + n * 10_000), after=0 if n == 1 else BOOT + 1)
    assert [day.day.day for day in desk.reader.days("site")] == [1, 2]
    desk.time_zone = "Asia/Kathmandu"
    desk.reopen()
    (day,) = desk.reader.days("site")
    assert (day.day.day, day.totals["charge_mwh"]) == (2, 200)
    assert desk.reader.time_zone("site") == "Asia/Kathmandu"
    assert any("days are cut anew" in text for text in desk.said)


# What is missing.


def test_a_gap_says_in_which_time_it_lies(desk: Any, record: Callable[..., Record]) -> None:
    desk.take(record(1), record(5))
    (gap,) = desk.reader.gaps("site")
    assert (gap.kind, gap.first - BOOT, gap.last - BOOT) == ("gap", 2, 4)
    assert (gap.start_ms - desk.now_ms, gap.end_ms - desk.now_ms) == (10_000, 40_000)
    assert desk.reader.tallies() == {"records_in_gaps": 3}


def test_a_refused_record_is_kept_and_the_line_goes_on(desk: Any, record: Callable[..., Record]) -> None:
    desk.birth()
    taken = desk.take(record(1), BadRecord(BOOT + 2, BOOT + 2, "spoiled", b"raw"), record(3))
    assert taken.upto == BOOT + 3
    (letter,) = desk.reader.dead_letters()
    assert (letter.topic, letter.reason, letter.payload) == ("a/topic", "spoiled", b"raw")
    (gap,) = desk.reader.gaps("site")
    assert (gap.kind, gap.reason) == ("refused", "spoiled")
    # Once: a repetition is no second letter.
    desk.take(BadRecord(BOOT + 2, BOOT + 2, "spoiled", b"raw"), after=BOOT + 1)
    assert desk.reader.tallies()["dead_letters"] == 1
    assert desk.reader.days("site")[0].totals["charge_mwh"] == 300


def test_dead_letters_are_bounded_and_counted(desk: Any) -> None:
    with desk.ledger.transaction() as db:
        letters = DeadLetters(db, most_bytes=1_000)
        for n in range(50):
            letters.keep(n, "t", f"r{n}", b"x" * 100)
    kept = desk.reader.dead_letters()
    assert [letter.at_ms for letter in kept] == [49, 48, 47, 46, 45]
    assert desk.reader.tallies()["dead_letters"] == 50


# Stores and boards.


def test_a_store_under_another_name_is_the_same_store(desk: Any, record: Callable[..., Record]) -> None:
    desk.birth()
    desk.take(record(1), record(2))
    desk.birth(node="mill")
    desk.take(record(1), record(2), record(3), node="mill")
    assert sum(day.totals["charge_mwh"] for day in desk.reader.days("site")) == 300
    assert [(node.node, node.chip) for node in desk.reader.nodes("site")] == [("mill", "aa"), ("wheel", "aa")]


def test_a_new_store_of_one_chip_closes_the_old_one(desk: Any, record: Callable[..., Record]) -> None:
    desk.birth(newest=BOOT + 9)
    desk.take(record(1), record(2))
    desk.birth(journal=OTHER)
    (gap,) = desk.reader.gaps("site")
    assert (gap.first - BOOT, gap.last - BOOT, gap.start_ms) == (3, 9, None)
    assert "made anew" in gap.reason
    assert desk.one("SELECT closed_ms FROM journal WHERE journal <> ?", OTHER) == desk.now_ms
    # A message of the old store that was still on its way is booked, and what it brings is no gap.
    desk.take(record(3), after=BOOT + 2)
    assert desk.reader.gaps("site") == []
    assert desk.one("SELECT count(*) FROM journal WHERE closed_ms IS NOT NULL") == 0


def test_two_boards_with_one_store_are_not_booked_until_one_begins_anew(
    desk: Any, record: Callable[..., Record], caplog: pytest.LogCaptureFixture
) -> None:
    desk.birth()
    desk.take(record(1))
    desk.birth(node="copy", chip="bb")
    assert "two boards, chips aa and bb" in caplog.text
    assert desk.take(record(2), after=BOOT + 1).upto == BOOT + 1
    assert {node.disputed_chip for node in desk.reader.nodes("site")} == {"bb"}
    desk.birth(node="copy", chip="bb", journal=OTHER)
    assert {node.disputed_chip for node in desk.reader.nodes("site")} == {None}
    assert desk.take(record(2), after=BOOT + 1).upto == BOOT + 2


def test_a_board_that_took_over_a_store_keeps_it_when_the_old_one_begins_anew(
    desk: Any, record: Callable[..., Record]
) -> None:
    desk.birth()
    desk.birth(chip="bb")
    desk.birth(node="old", journal=OTHER)
    assert desk.one("SELECT chip FROM journal WHERE journal <> ?", OTHER) == "bb"
    assert desk.take(record(1)).upto == BOOT + 1


def test_a_number_that_comes_again_with_other_contents_is_a_conflict(
    desk: Any, record: Callable[..., Record], caplog: pytest.LogCaptureFixture
) -> None:
    """A node whose boot number went back would otherwise lose what it measures without a word."""
    desk.take(record(1), record(2))
    desk.take(record(1, mwh=150), record(2))
    assert "came a second time with different contents" in caplog.text
    assert desk.reader.tallies() == {"conflicts": 1, "dead_letters": 1}
    assert desk.reader.nodes("site")[0].conflicts == 1
    assert desk.reader.days("site")[0].totals["charge_mwh"] == 200


def test_what_was_collected_and_not_committed_is_forgotten(desk: Any, record: Callable[..., Record]) -> None:
    def fail(keeper: Bookkeeper) -> None:
        keeper.records("wheel", Sent("0123456789abcdef", 0, [record(1)]), "t", desk.now_ms)
        keeper.dead_letter("t", "r", b"x", desk.now_ms)
        raise KeyError

    try:
        desk.run(fail)
    except KeyError:
        desk.keeper.forget()
    assert desk.take(record(1)).upto == BOOT + 1
    assert desk.reader.days("site")[0].totals["charge_mwh"] == 100
    assert desk.reader.tallies() == {}


def test_receipts_name_each_nodes_present_store(desk: Any, record: Callable[..., Record]) -> None:
    desk.take(record(1))
    desk.birth(node="second", journal=OTHER, chip="bb")
    assert sorted(desk.keeper.receipts()) == [
        ("second", OTHER, 0),
        ("wheel", "0123456789abcdef", BOOT + 1),
    ]


def test_a_node_is_not_called_online_before_it_was_heard(desk: Any) -> None:
    desk.birth()
    assert desk.reader.nodes("site")[0].online is None
    desk.run(lambda keeper: keeper.status("wheel", desk.now_ms, online=True))
    assert desk.reader.nodes("site")[0].online is True
    desk.reopen()
    assert desk.reader.nodes("site")[0].online is None
