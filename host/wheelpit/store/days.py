"""Local days of a site: where they begin, how long they are, and their 10-minute buckets.

A day runs from the first instant that bears its date to the first instant of the next one: 23, 24 or 25 hours
where clocks change by an hour, 23.5 or 24.5 where they change by half of one, and nothing at all where a zone
crossed the date line. Rules: the IANA time zone database, as `zoneinfo` reads it.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterator

BUCKET_MS: Final = 600_000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MS: Final = timedelta(milliseconds=1)


class TimeZoneError(WheelpitError):
    """A name that is not in the time zone database."""


def to_ms(instant: datetime) -> int:
    """Return an aware date and time as Unix milliseconds, exactly."""
    return (instant - _EPOCH) // _MS


class LocalDays:
    """The days of one time zone.

    Args:
        time_zone: an IANA name such as `Europe/London`.

    Raises:
        TimeZoneError: the name is unknown.

    """

    def __init__(self, time_zone: str) -> None:
        try:
            self.zone: Final = ZoneInfo(time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            msg = f"time zone {time_zone!r} is unknown: use an IANA name such as 'Europe/London'"
            raise TimeZoneError(msg) from error
        self.time_zone: Final = time_zone
        # One cache per instance, so that it goes with the instance.
        self.bounds = lru_cache(maxsize=1024)(self._bounds)
        # Records come in order: as a rule the next one ends in the bucket that was asked for last.
        self._latest: tuple[date, int, int] = (date.min, 0, 0)

    def date_of(self, instant_ms: int) -> date:
        """Return the date that clocks of the zone show at an instant."""
        return (_EPOCH + timedelta(milliseconds=instant_ms)).astimezone(self.zone).date()

    def _start(self, day: date) -> int:
        midnight = datetime.combine(day, time(0), tzinfo=self.zone)
        start = to_ms(midnight.astimezone(UTC))
        if self.date_of(start - 1) < day <= self.date_of(start):
            return start
        # Midnight fell into a jump of the clocks that began before it: find the first instant past the jump.
        before, after = start - 26 * 3_600_000, start
        while self.date_of(after) < day:
            after += 3_600_000
        while after - before > 1:
            middle = (before + after) // 2
            if self.date_of(middle) < day:
                before = middle
            else:
                after = middle
        return after

    def _bounds(self, day: date) -> tuple[int, int]:
        return self._start(day), self._start(day + timedelta(days=1))

    def day_ending(self, instant_ms: int) -> date:
        """Return the day `(start, end]` that an interval ending at an instant ends in.

        An interval that ends at midnight belongs to the day that ends there.
        """
        day = self.date_of(instant_ms - 1)
        start, end = self.bounds(day)
        # Where clocks go back across midnight a date is shown twice; the days must still follow each other.
        while instant_ms > end:
            day += timedelta(days=1)
            start, end = self.bounds(day)
        while instant_ms <= start:
            day -= timedelta(days=1)
            start, end = self.bounds(day)
        return day

    def bucket_ending(self, instant_ms: int) -> tuple[date, int, int]:
        """Return the day and the 10-minute bucket `(start, end]` that an instant ends in."""
        latest = self._latest
        if latest[1] < instant_ms <= latest[2]:
            return latest
        day = self.day_ending(instant_ms)
        midnight, end = self.bounds(day)
        start = midnight + (instant_ms - midnight - 1) // BUCKET_MS * BUCKET_MS
        self._latest = day, start, min(start + BUCKET_MS, end)
        return self._latest

    def buckets(self, start_ms: int, end_ms: int) -> Iterator[tuple[date, int, int]]:
        """Yield every bucket that `(start_ms, end_ms]` reaches into, in order; one for an empty interval."""
        bucket = self.bucket_ending(min(start_ms + 1, end_ms))
        while True:
            yield bucket
            if bucket[2] >= end_ms:
                return
            bucket = self.bucket_ending(bucket[2] + 1)

    def days(self, first: date, last: date) -> Iterator[date]:
        """Yield the days from `first` to `last`, both included, without those that a zone skipped."""
        day = first
        while day <= last:
            start, end = self.bounds(day)
            if end > start:
                yield day
            day += timedelta(days=1)
