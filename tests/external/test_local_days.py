"""Lengths of local days, and which instant begins them, by the published rules of each zone."""

from __future__ import annotations

from datetime import date

import pytest

from wheelpit.store.days import BUCKET_MS, LocalDays

HOUR = 3_600_000


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        pytest.param(
            "Europe/London", date(2026, 3, 29), 23.0,
            marks=pytest.mark.source("IANA tz database, europe, rule EU: last Sunday of March at 01:00 UTC, +1 h"),
        ),
        pytest.param(
            "Europe/London", date(2026, 10, 25), 25.0,
            marks=pytest.mark.source("IANA tz database, europe, rule EU: last Sunday of October at 01:00 UTC, back"),
        ),
        pytest.param(
            "Europe/Berlin", date(2026, 3, 29), 23.0,
            marks=pytest.mark.source("Directive 2000/84/EC, articles 2 and 3: last Sundays of March and October"),
        ),
        pytest.param(
            "Europe/Berlin", date(2026, 10, 25), 25.0,
            marks=pytest.mark.source("Directive 2000/84/EC, articles 2 and 3: last Sundays of March and October"),
        ),
        pytest.param(
            "Australia/Lord_Howe", date(2026, 10, 4), 23.5,
            marks=pytest.mark.source("IANA tz database, australasia, rule LH: first Sunday of October, 2:00, 0:30"),
        ),
        pytest.param(
            "Australia/Lord_Howe", date(2026, 4, 5), 24.5,
            marks=pytest.mark.source("IANA tz database, australasia, rule LH: first Sunday of April, 2:00, back"),
        ),
        pytest.param(
            "America/Santiago", date(2026, 9, 6), 23.0,
            marks=pytest.mark.source(
                "IANA tz database, southamerica, rule Chile: first Sunday on or after 2 September at 04:00 UTC, "
                "which is local midnight: the day begins at 01:00"
            ),
        ),
        pytest.param(
            "America/Santiago", date(2026, 4, 4), 25.0,
            marks=pytest.mark.source(
                "IANA tz database, southamerica, rule Chile: first Sunday on or after 2 April at 03:00 UTC, back"
            ),
        ),
        pytest.param(
            "Pacific/Apia", date(2011, 12, 30), 0.0,
            marks=pytest.mark.source("IANA tz database, australasia, Pacific/Apia: from -10 to +14 at the end of 29 Dec"),
        ),
        pytest.param(
            "Asia/Kathmandu", date(2026, 3, 29), 24.0,
            marks=pytest.mark.source("IANA tz database, asia, Asia/Kathmandu: +05:45 since 1986, no summer time"),
        ),
        pytest.param(
            "Europe/London", date(2028, 2, 29), 24.0,
            marks=pytest.mark.source("Gregorian calendar: 2028 is divisible by 4; UK winter time, tz database, europe"),
        ),
    ],
)  # fmt: skip
def test_length_of_a_day(zone: str, day: date, hours: float) -> None:
    start, end = LocalDays(zone).bounds(day)
    assert (end - start) / HOUR == hours


@pytest.mark.source(
    "IANA tz database, europe, rule EU and Zone Europe/London: GMT until 01:00 UTC on 29 March 2026, then BST"
)
def test_a_day_of_23_hours_begins_and_ends_at_midnight_by_the_clock() -> None:
    start, end = LocalDays("Europe/London").bounds(date(2026, 3, 29))
    assert start == 1_774_742_400_000  # 2026-03-29T00:00:00Z
    assert end == 1_774_825_200_000  # 2026-03-29T23:00:00Z, which is 30 March 00:00 BST


@pytest.mark.source(
    "IANA tz database, southamerica, rule Chile: on 6 September 2026 at 04:00 UTC clocks go from 00:00 to 01:00"
)
def test_where_midnight_does_not_exist_the_day_begins_at_its_first_instant() -> None:
    days = LocalDays("America/Santiago")
    start, _ = days.bounds(date(2026, 9, 6))
    assert start == 1_788_667_200_000  # 2026-09-06T04:00:00Z
    assert days.date_of(start - 1) == date(2026, 9, 5)
    assert days.date_of(start) == date(2026, 9, 6)


@pytest.mark.source(
    "IANA tz database, asia and australasia: UTC offsets +05:45 (Kathmandu), +12:45 (Chatham), +08:45 (Eucla)"
)
@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "Pacific/Chatham", "Australia/Eucla"])
def test_ten_minute_buckets_tile_days_of_odd_offsets(zone: str) -> None:
    """Buckets on whole UTC multiples of ten minutes would straddle these midnights."""
    days = LocalDays(zone)
    start, end = days.bounds(date(2026, 6, 1))
    assert start % BUCKET_MS != 0
    cells = list(days.buckets(start, end))
    assert cells[0][1] == start
    assert cells[-1][2] == end
    assert len(cells) == 144
