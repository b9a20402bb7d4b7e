"""The energy books: exact energies, honest coverage, and nothing that the channels cannot support."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from wheelpit.accounts.books import (
    BATTERY_ONLY,
    DIVERTED_BEFORE,
    NOT_MEASURED,
    OTHER_SOURCES,
    DayBook,
    day_books,
)
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import OtherSource
from wheelpit.store.days import LocalDays

HOUR = 3_600_000
TEN_MIN = 600_000
DAYS = LocalDays("Europe/London")
JUNE_1 = DAYS.bounds(date(2026, 6, 1))[0]
AFTER = JUNE_1 + 400 * 24 * HOUR
PLANT = load_plant(demo_plant_path())


def of(books: Any, **how: Any) -> list[DayBook]:
    return day_books(
        books.reader, books.site, how.pop("plant", PLANT), now_ms=how.pop("now_ms", AFTER), **how
    )


def test_a_steady_day_is_exact(books: Any) -> None:
    """60 W for a whole day are 1440 Wh: 10 Wh in each ten minutes; 10 turns a minute are 14,400 turns."""
    for cell in range(144):
        books.add(
            JUNE_1 + (cell + 1) * TEN_MIN,
            charge_mwh=10_000,
            charge_valid_ms=TEN_MIN,
            charging_ms=TEN_MIN,
            wheel_mrev=100_000,
            wheel_valid_ms=TEN_MIN,
            turning_ms=TEN_MIN,
        )
    (book,) = of(books)
    assert book.day == date(2026, 6, 1)
    assert (book.energy_mwh, book.energy_wh) == (1_440_000, 1440.0)
    assert (book.basis, book.lower_bound, book.note) == ("charge", False, "")
    assert book.coverage == 1.0
    assert book.revolutions == 14_400.0
    assert (book.turning_h, book.charging_h) == (24.0, 24.0)
    assert book.peak_w == 60.0
    assert not book.partial
    assert book.resolution_ms == TEN_MIN
    assert book.diverted_wh is None
    assert book.back_wh is None
    assert book.electrical_efficiency is None


def test_days_that_change_their_clocks_are_not_stretched(books: Any) -> None:
    """Constant 60 W: 23 h give 1380 Wh and 25 h give 1500 Wh, both wholly covered."""
    for day, hours in ((date(2026, 3, 29), 23), (date(2026, 10, 25), 25)):
        start, end = DAYS.bounds(day)
        books.begin()
        for end_ms in range(start + TEN_MIN, end + 1, TEN_MIN):
            books.add(end_ms, charge_mwh=10_000, charge_valid_ms=TEN_MIN)
        (book,) = of(books, first=day, last=day)
        assert book.energy_wh == 60.0 * hours
        assert book.coverage == 1.0


def test_what_was_not_measured_is_not_filled_in(books: Any) -> None:
    """Six hours of the day, of which a tenth of the readings failed."""
    for cell in range(36):
        books.add(JUNE_1 + (cell + 1) * TEN_MIN, charge_mwh=9_000, charge_valid_ms=TEN_MIN * 9 // 10)
    (book,) = of(books)
    assert book.energy_wh == 324.0
    assert book.coverage == pytest.approx(0.9 * 6 / 24)
    assert book.peak_w == pytest.approx(60.0)
    assert book.revolutions is None
    assert book.turning_h is None


def test_today_is_judged_by_the_part_that_has_passed(books: Any) -> None:
    for cell in range(6):
        books.add(JUNE_1 + (cell + 1) * TEN_MIN, charge_mwh=10_000, charge_valid_ms=TEN_MIN)
    (book,) = of(books, now_ms=JUNE_1 + 2 * HOUR)
    assert book.partial
    assert book.coverage == 0.5
    # A node whose clock is ahead of the host's does not make more than all of it.
    (book,) = of(books, now_ms=JUNE_1 + HOUR - 3_000)
    assert book.coverage == 1.0


def test_with_battery_a_alone_it_is_a_lower_bound(books: Any) -> None:
    books.add(JUNE_1 + TEN_MIN, battery_in_mwh=5_000, battery_out_mwh=900, battery_valid_ms=TEN_MIN)
    (book,) = of(books)
    assert (book.energy_wh, book.basis, book.lower_bound, book.note) == (5.0, "battery", True, BATTERY_ONLY)
    assert book.coverage == pytest.approx(1 / 144)
    assert book.peak_w == 30.0


def test_with_battery_a_alone_and_another_source_nothing_is_said(books: Any) -> None:
    books.add(JUNE_1 + TEN_MIN, battery_in_mwh=5_000, battery_valid_ms=TEN_MIN)
    solar = replace(PLANT, other_sources=(OtherSource(kind="solar", rated_w=100.0),))
    (book,) = of(books, plant=solar)
    assert (book.energy_wh, book.energy_mwh, book.basis, book.note) == (None, None, None, OTHER_SOURCES)
    assert book.coverage == 0.0
    assert book.peak_w is None


def test_without_a_current_nothing_is_said(books: Any) -> None:
    books.add(JUNE_1 + TEN_MIN, wheel_mrev=100_000, wheel_valid_ms=TEN_MIN, turning_ms=TEN_MIN)
    (book,) = of(books, plant=None)
    assert (book.energy_wh, book.note) == (None, NOT_MEASURED)
    assert book.revolutions == 100.0


def test_a_controller_that_diverts_before_the_shunt_makes_a_lower_bound(books: Any) -> None:
    books.add(JUNE_1 + TEN_MIN, charge_mwh=5_000, charge_valid_ms=TEN_MIN)
    before = replace(PLANT, controller=replace(PLANT.controller, topology="diversion-in-controller"))
    (book,) = of(books, plant=before)
    assert (book.energy_wh, book.lower_bound, book.note) == (5.0, True, DIVERTED_BEFORE)


def test_diverted_and_returned_energy_are_told(books: Any) -> None:
    books.add(
        JUNE_1 + TEN_MIN,
        charge_mwh=5_000,
        charge_back_mwh=7,
        charge_valid_ms=TEN_MIN,
        dump_mwh=1_234,
        dump_valid_ms=TEN_MIN,
    )
    (book,) = of(books)
    assert (book.diverted_wh, book.back_wh) == (1.234, 0.007)


def test_efficiency_is_a_ratio_of_energies_over_the_same_time(books: Any) -> None:
    """80 W in and 73 W out for two hours; then the bridge's current fails, then the charge current."""
    for cell in range(24):
        whole = {"charge_mwh": 12_167, "charge_valid_ms": TEN_MIN}
        taken = {"rectified_mwh": 13_333, "rectified_valid_ms": TEN_MIN}
        if 12 <= cell < 18:
            taken = {"rectified_mwh": 1_000, "rectified_valid_ms": 45_000}
        if cell >= 18:
            whole = {"charge_mwh": 0, "charge_valid_ms": 0}
        books.add(JUNE_1 + (cell + 1) * TEN_MIN, **whole, **taken)
    (book,) = of(books)
    assert book.electrical_efficiency == pytest.approx(73 / 80, rel=1e-3)


def test_efficiency_without_common_time_is_not_told(books: Any) -> None:
    books.add(JUNE_1 + TEN_MIN, charge_mwh=5_000, charge_valid_ms=TEN_MIN)
    books.add(JUNE_1 + 2 * TEN_MIN, rectified_mwh=6_000, rectified_valid_ms=TEN_MIN)
    (book,) = of(books)
    assert book.electrical_efficiency is None


def test_the_peak_takes_no_scrap_of_a_bucket(books: Any) -> None:
    """One record of 10 s at 360 W in an otherwise unmeasured bucket is no ten-minute mean."""
    books.add(JUNE_1 + TEN_MIN, charge_mwh=10_000, charge_valid_ms=TEN_MIN)
    books.begin()
    books.add(JUNE_1 + 5 * HOUR + 10_000, 10_000, charge_mwh=1_000, charge_valid_ms=10_000)
    (book,) = of(books)
    assert book.peak_w == 60.0


def test_books_of_many_days_are_read_in_blocks_and_tell_their_progress(books: Any) -> None:
    for day in range(200):
        books.add(JUNE_1 + (24 * day + 12) * HOUR, charge_mwh=1_000 + day, charge_valid_ms=TEN_MIN)
        books.begin()
    told: list[tuple[int, int]] = []
    found = of(books, progress=lambda done, whole: told.append((done, whole)))
    assert [book.energy_mwh for book in found] == [1_000 + day for day in range(200)]
    assert [book.peak_w for book in found] == [(1_000 + day) * 3600 / TEN_MIN for day in range(200)]
    assert told == [(92, 200), (184, 200), (200, 200)]


def test_days_sum_to_the_records_whatever_their_lengths(books: Any) -> None:
    """Records of 36 minutes cross midnights: each is split, and nothing is lost or made."""
    end_ms = JUNE_1
    for number in range(200):
        end_ms += 2_160_000
        books.add(end_ms, 2_160_000, charge_mwh=7_919 + number, charge_valid_ms=2_160_000)
    found = of(books)
    assert len(found) == 5
    assert sum(book.energy_mwh or 0 for book in found) == 200 * 7_919 + 199 * 200 // 2
    assert [book.resolution_ms for book in found] == [2_160_000] * 5
    assert [book.coverage for book in found] == [1.0] * 5


def test_a_ledger_without_days_gives_none(books: Any) -> None:
    assert of(books) == []
