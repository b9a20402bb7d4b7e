"""Days as rows, table and file: what was not measured is empty, never zero and never filled in."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

import daily
import daycharts
from wheelpit.accounts.books import BATTERY_ONLY, DayBook

TODAY = date(2026, 3, 30)


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


BOOK = DayBook(
    day=date(2026, 3, 28),
    start_ms=ms("2026-03-28T00:00"),
    end_ms=ms("2026-03-29T00:00"),
    partial=False,
    energy_mwh=1_440_000,
    energy_wh=1440.0,
    basis="charge",
    lower_bound=False,
    note="",
    coverage=1.0,
    revolutions=14_976.0,
    turning_h=24.0,
    charging_h=24.0,
    peak_w=71.5,
    diverted_wh=0.0,
    back_wh=0.0,
    electrical_efficiency=0.913,
    resolution_ms=10_000,
)
# London goes to summer time on 29 March 2026: a day of 23 hours.
SHORT = replace(
    BOOK,
    day=date(2026, 3, 29),
    start_ms=ms("2026-03-29T00:00"),
    end_ms=ms("2026-03-29T23:00"),
    coverage=0.4,
    energy_wh=552.0,
)
SO_FAR = replace(
    BOOK,
    day=TODAY,
    start_ms=ms("2026-03-29T23:00"),
    end_ms=ms("2026-03-30T23:00"),
    partial=True,
    energy_wh=300.0,
)
BOOKS = [BOOK, SHORT, SO_FAR]
FIRST = date(2026, 3, 26)


def test_every_day_of_the_range_has_a_row_and_says_how_it_was_measured() -> None:
    rows = daily.rows(BOOKS, FIRST, TODAY)
    assert [(row["day"], row["kind"], row["energy_kwh"]) for row in rows] == [
        ("2026-03-26", "not measured", None),
        ("2026-03-27", "not measured", None),
        ("2026-03-28", "measured", 1.44),
        ("2026-03-29", "partly measured", 0.552),
        ("2026-03-30", "today so far", 0.3),
    ]


@pytest.mark.parametrize(("coverage", "kind"), [(0.949, "partly measured"), (0.95, "measured")])
def test_a_day_counts_as_measured_from_95_per_cent_on(coverage: float, kind: str) -> None:
    (row,) = daily.rows([replace(SHORT, coverage=coverage)], SHORT.day, SHORT.day)
    assert row["kind"] == kind


def test_a_day_without_a_measured_moment_has_no_energy_not_even_none_of_it() -> None:
    (row,) = daily.rows([replace(BOOK, coverage=0.0, energy_wh=0.0)], BOOK.day, BOOK.day)
    assert row["kind"] == "not measured"
    assert row["energy_kwh"] is None


def test_the_sentence_of_a_range() -> None:
    assert daily.summary(daily.rows(BOOKS, FIRST, TODAY)) == (
        "2.29 kWh measured in 3 days; best day 28 March 2026 with 1.44 kWh; 1 day measured only in part; "
        "2 days not at all."
    )
    assert daily.summary(daily.rows([], FIRST, TODAY)) == "What the wheel gave is not measured in this range."
    assert daily.summary(daily.rows([SO_FAR], TODAY, TODAY)) == "300 Wh measured in 1 day."


@pytest.mark.parametrize(
    ("chosen", "first"),
    [
        ("2 weeks", date(2026, 3, 17)),
        ("month", date(2026, 2, 28)),
        ("year", date(2025, 6, 1)),
        ("all", date(2025, 6, 1)),
    ],
)
def test_a_range_ends_today_and_never_begins_before_the_ledger(chosen: str, first: date) -> None:
    assert daily.first_day(TODAY, chosen, date(2025, 6, 1)) == first


def test_the_file_has_bounds_with_their_offset_and_nothing_where_nothing_was_measured() -> None:
    bare = replace(SHORT, energy_wh=None, basis=None, peak_w=None, electrical_efficiency=None, coverage=0.0)
    read = list(csv.DictReader(io.StringIO(daily.as_csv([SO_FAR, bare, BOOK], "Europe/London"))))
    assert [row["day"] for row in read] == ["2026-03-28", "2026-03-29", "2026-03-30"]
    first, second, third = read
    assert (first["start"], first["end"]) == ("2026-03-28T00:00:00+00:00", "2026-03-29T00:00:00+00:00")
    assert (second["start"], second["end"]) == ("2026-03-29T00:00:00+00:00", "2026-03-30T00:00:00+01:00")
    assert (first["energy_wh"], first["complete"], first["measured_by"]) == ("1440.000", "yes", "charge")
    assert (second["energy_wh"], second["complete"], second["measured_by"], second["peak_w"]) == (
        "", "no", "", ""
    )  # fmt: skip
    assert third["complete"] == "no"
    assert float(first["electrical_efficiency"]) == 0.913


def test_the_table_is_newest_first_and_leaves_out_what_was_never_measured() -> None:
    lean = [replace(book, diverted_wh=None) for book in BOOKS]
    found = daily.table(lean)
    assert [row["day"] for row in found] == ["2026-03-30 so far", "2026-03-29", "2026-03-28"]
    assert all("diverted, kWh" not in row for row in found)
    assert found[2]["energy, kWh"] == 1.44
    assert set(daily.FORMATS) >= set(found[0]) - {"day"}
    assert daily.table([]) == []


def test_a_lower_bound_is_called_one() -> None:
    assert daily.title(BOOKS, "kWh") == "Energy from the charge controller, kWh a day"
    assert daily.notes(BOOKS) == []
    bound = [replace(book, basis="battery", lower_bound=True, note=BATTERY_ONLY) for book in BOOKS]
    assert daily.title(bound, "kWh") == "Energy into the battery, kWh a day, at least"
    (note,) = daily.notes(bound)
    assert "lower bound" in note


def test_the_charts_shade_what_was_not_measured_and_keep_one_axis() -> None:
    rows = daily.rows(BOOKS, FIRST, TODAY)
    chart = daycharts.energy(rows, BOOKS).to_dict()
    shade, bars, label = chart["layer"]
    assert [row["day"] for row in shade["data"]["values"]] == ["2026-03-26", "2026-03-27"]
    assert [row["day"] for row in bars["data"]["values"]] == ["2026-03-28", "2026-03-29", "2026-03-30"]
    assert [row["day"] for row in label["data"]["values"]] == ["2026-03-30"]
    # Five days of a ledger that is five days old stand on an axis of a week.
    domain = ["2026-03-24T00:00:00+00:00", "2026-03-31T00:00:00+00:00"]
    assert bars["encoding"]["x"]["scale"]["domain"] == domain
    assert daycharts.measured(rows).to_dict()["encoding"]["x"]["scale"]["domain"] == domain
    known = daycharts.efficiency(rows).to_dict()
    assert known["encoding"]["x"]["scale"]["domain"] == domain
    assert len(known["data"]["values"]) == 3


def test_without_both_sides_measured_there_is_no_efficiency_chart() -> None:
    bare = [replace(book, electrical_efficiency=None) for book in BOOKS]
    assert daycharts.efficiency(daily.rows(bare, FIRST, TODAY)) is None


def test_the_axis_has_a_handful_of_labels() -> None:
    fortnight = daily.rows([], date(2026, 3, 17), TODAY)
    assert len(daycharts.labelled(fortnight)) == 7
    assert daycharts.labelled(fortnight)[0] == fortnight[-1]["middle"]
    three_years = daily.rows([], date(2023, 3, 31), TODAY)
    assert 5 <= len(daycharts.labelled(three_years)) <= 7


@pytest.mark.parametrize(
    ("energy_kwh", "written"), [(0.0042, "4 Wh"), (0.499, "499 Wh"), (1.443, "1.44 kWh"), (31.62, "31.6 kWh")]
)
def test_an_energy_has_two_or_three_figures(energy_kwh: float, written: str) -> None:
    assert daily.amount(energy_kwh) == written


def test_a_first_small_day_is_drawn_in_watt_hours() -> None:
    rows = daily.rows([SO_FAR], TODAY, TODAY)
    assert daily.unit(rows) == ("Wh", 1000)
    _, bars, _ = daycharts.energy(rows, [SO_FAR]).to_dict()["layer"]
    assert bars["data"]["values"][0]["energy"] == 300.0
    assert bars["encoding"]["y"]["title"] == "Wh"
