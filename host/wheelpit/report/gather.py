"""Works out what a report on a period is made of, from a ledger or a database that it was forwarded to."""

from __future__ import annotations

import calendar
import datetime as dt
import time
from dataclasses import replace
from typing import TYPE_CHECKING

from wheelpit.accounts.books import day_books
from wheelpit.accounts.cascade import cascade
from wheelpit.accounts.logged import logged
from wheelpit.accounts.season import season
from wheelpit.accounts.season_rows import read_ten_minutes
from wheelpit.accounts.tenminutes import stood_on_purpose
from wheelpit.accounts.timeledger import time_ledgers
from wheelpit.errors import WheelpitError
from wheelpit.report import phrases
from wheelpit.report.period import MOST_DAYS, Material
from wheelpit.store.alarms import read_alarms
from wheelpit.store.choose import keeping, own_ledger, without_logbook
from wheelpit.store.days import LocalDays

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wheelpit.plant.description import Plant
    from wheelpit.store.alarms import AlarmRow
    from wheelpit.store.reading import Reading


class ReportError(WheelpitError):
    """A report cannot be made."""


def month_bounds(year: int, month: int) -> tuple[dt.date, dt.date]:
    """Return the first and the last day of a month."""
    return dt.date(year, month, 1), dt.date(year, month, calendar.monthrange(year, month)[1])


def month(reader: Reading, folder: Path, plant: Plant, year: int, number: int) -> Material:
    """Gather a month; see `gather`."""
    first, last = month_bounds(year, number)
    return gather(reader, folder, plant, phrases.month(year, number), first, last)


def year_of(
    reader: Reading,
    folder: Path,
    plant: Plant,
    year: int,
    progress: Callable[[int, int], None] | None = None,
) -> Material:
    """Gather a calendar year; see `gather`."""
    bounds = dt.date(year, 1, 1), dt.date(year, 12, 31)
    return gather(reader, folder, plant, str(year), *bounds, progress=progress)


def gather(  # noqa: PLR0917 - from where, and of what time
    reader: Reading,
    folder: Path,
    plant: Plant,
    name: str,
    first: dt.date,
    last: dt.date,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Material:
    """Work out everything that a report tells.

    Args:
        reader: the ledger, or the database.
        folder: of the ledger, where ten-minute means are kept, and the logbook and the alarms lie.
        plant: the plant with its changes.
        name: of the period.
        first: its first day.
        last: its last day.
        progress: is told how many days of how many are read.

    Raises:
        ReportError: there is no record in that time.

    """
    now_ms = time.time_ns() // 1_000_000
    site = plant.site.id
    books = day_books(reader, site, plant, first, last, now_ms=now_ms)
    if not books:
        msg = f"{site} has no record in {name}: choose another time"
        raise ReportError(msg)
    zone = reader.time_zone(site)
    rows = read_ten_minutes(reader, site, keep=keeping(reader, folder), progress=progress)
    book = logged(folder, site, now_ms)
    labels, cuts = _cuts(LocalDays(zone), first, last, now_ms)
    told = season(
        stood_on_purpose(rows, book.stood),
        plant,
        books[0].day,
        books[-1].day,
        restarts=book.restarts,
        raked_ms=book.raked_ms,
    )
    if told is not None:
        told = replace(told, notes=(*told.notes, *without_logbook(reader, folder)))
    return Material(
        plant=plant,
        name=name,
        first=first,
        last=last,
        books=books,
        hours=list(zip(labels, time_ledgers(reader, site, plant, cuts), strict=True)),
        cascade=cascade(reader, site, plant, first, last),
        season=told,
        alarms=_alarms(reader, folder, site, cuts[0], cuts[-1]),
        time_zone=zone,
        made_ms=now_ms,
    )


def _alarms(reader: Reading, folder: Path, site: str, from_ms: int, to_ms: int) -> list[AlarmRow] | None:
    """Return the alarms that stood in a time, None where there is no ledger that knows."""
    ledger = own_ledger(reader, folder, site)
    if ledger is None:
        return None
    with ledger.open() as db:
        return [
            row
            for row in read_alarms(db, site)
            if row.onset_ms < to_ms and (row.cleared_ms is None or row.cleared_ms >= from_ms)
        ]


def _cuts(local: LocalDays, first: dt.date, last: dt.date, now_ms: int) -> tuple[list[str], list[int]]:
    """Return where the time is cut, into days or into months, up to now, and what the pieces are called."""
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    by_month = len(days) > MOST_DAYS
    begins = [day for day in days if (not by_month or day.day == 1) and local.bounds(day)[0] < now_ms]
    labels = [f"{day:%b}" if by_month else str(day.day) for day in begins]
    return labels, [*(local.bounds(day)[0] for day in begins), min(local.bounds(last)[1], now_ms)]
