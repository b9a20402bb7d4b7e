"""Local days tile time without a hole, whatever a zone did; the published lengths are in tests/external."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.store.days import BUCKET_MS, LocalDays, TimeZoneError, to_ms

ODD = (
    "Europe/London",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Pacific/Chatham",
    "Pacific/Apia",
    "America/Santiago",
    "America/Havana",
    "America/St_Johns",
    "Asia/Beirut",
    "Africa/Cairo",
    "America/Nuuk",
    "Antarctica/Troll",
    "Africa/Casablanca",
    "UTC",
)
ZONES = {name: LocalDays(name) for name in ODD}
INSTANT = st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1)).map(lambda t: to_ms(t.replace(tzinfo=UTC)))  # noqa: DTZ001 - made aware at once


@given(st.sampled_from(ODD), INSTANT)
def test_every_instant_ends_in_one_day_and_one_bucket(name: str, instant: int) -> None:
    days = ZONES[name]
    day = days.day_ending(instant)
    start, end = days.bounds(day)
    assert start < instant <= end
    assert days.bounds(day + timedelta(days=1))[0] == end
    same, low, high = days.bucket_ending(instant)
    assert same == day
    assert start <= low < instant <= high <= end
    assert (low - start) % BUCKET_MS == 0


@given(st.sampled_from(ODD), INSTANT, st.integers(1, 3 * 86_400_000))
def test_buckets_tile_an_interval(name: str, start: int, length: int) -> None:
    cells = list(ZONES[name].buckets(start, start + length))
    assert cells[0][1] <= start < cells[0][2]
    assert cells[-1][1] < start + length <= cells[-1][2]
    for (_, _, end), (_, begin, _) in pairwise(cells):
        assert end == begin


@pytest.mark.parametrize("name", ODD)
def test_days_of_ten_years_follow_each_other(name: str) -> None:
    days = ZONES[name]
    first, last = date(2005, 1, 1), date(2014, 12, 31)
    end = days.bounds(first)[0]
    for day in days.days(first, last):
        start, next_start = days.bounds(day)
        assert start == end
        end = next_start
    assert end == days.bounds(last)[1]


def test_an_interval_that_ends_at_midnight_belongs_to_the_day_before() -> None:
    days = ZONES["Europe/London"]
    midnight = days.bounds(date(2026, 6, 2))[0]
    assert days.day_ending(midnight) == date(2026, 6, 1)
    assert days.day_ending(midnight + 1) == date(2026, 6, 2)
    assert days.bucket_ending(midnight)[2] == midnight


@pytest.mark.parametrize("name", ["Europe/Londom", "", "/etc/passwd", "../UTC", "Europe/\0"])
def test_an_unknown_zone_is_named(name: str) -> None:
    with pytest.raises(TimeZoneError, match=r"time zone .* is unknown"):
        LocalDays(name)


@pytest.mark.slow
def test_days_of_every_zone_follow_each_other() -> None:
    for name in sorted(available_timezones()):
        days = LocalDays(name)
        end = days.bounds(date(2025, 1, 1))[0]
        for day in days.days(date(2025, 1, 1), date(2026, 12, 31)):
            start, next_start = days.bounds(day)
            assert start == end, (name, day)
            assert (next_start - start) % (5 * 60_000) == 0, (name, day)
            end = next_start
