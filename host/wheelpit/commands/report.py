"""`wheelpit report`: a month on paper, as one file that needs nothing else."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wheelpit.accounts.books import day_books
from wheelpit.accounts.cascade import cascade
from wheelpit.accounts.season import season
from wheelpit.accounts.timeledger import time_ledgers
from wheelpit.commands.books import the_site
from wheelpit.commands.season import rows_of
from wheelpit.errors import WheelpitError
from wheelpit.places import state_folder, write_atomically
from wheelpit.plant.load import load_plant
from wheelpit.report.month import Material, bounds, sheet_of
from wheelpit.report.sheet import render
from wheelpit.store.alarms import read_alarms
from wheelpit.store.days import LocalDays
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant


class ReportError(WheelpitError):
    """A report cannot be made."""


class MonthOf(click.ParamType[tuple[int, int]]):
    """A month as an option's value."""

    name = "month"

    def convert(
        self, value: str | tuple[int, int], param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Return year and month."""
        if isinstance(value, tuple):
            return value
        try:
            found = dt.date.fromisoformat(f"{value}-01")
        except ValueError:
            self.fail(f"{value!r} is no month: write it as 2026-06", param, ctx)
        return found.year, found.month


def gather(folder: Path, site: str | None, plant: Plant, year: int, month: int) -> Material:
    """Work out everything that a month's report tells."""
    reader = LedgerReader(folder / FILE)
    site = the_site(reader, site)
    now_ms = time.time_ns() // 1_000_000
    first, last = bounds(year, month)
    books = day_books(reader, site, plant, first, last, now_ms=now_ms)
    if not books:
        msg = f"{site} has no record in {year}-{month:02}: choose another --month"
        raise ReportError(msg)
    zone = reader.time_zone(site)
    local = LocalDays(zone)
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    days = [day for day in days if local.bounds(day)[0] < now_ms]
    cuts = [*(local.bounds(day)[0] for day in days), min(local.bounds(days[-1])[1], now_ms)]
    with reader.open() as db:
        alarms = [
            row
            for row in read_alarms(db, site)
            if row.onset_ms < books[-1].end_ms
            and (row.cleared_ms is None or row.cleared_ms >= books[0].start_ms)
        ]
    return Material(
        plant=plant,
        year=year,
        month=month,
        books=books,
        hours=list(zip(days, time_ledgers(reader, site, plant, cuts), strict=True)),
        cascade=cascade(reader, site, plant, first, last),
        season=season(rows_of(reader, site, folder), plant, books[0].day, books[-1].day),
        alarms=alarms,
        time_zone=zone,
        made_ms=now_ms,
    )


@click.command("report")
@click.option("--month", type=MonthOf(), required=True, help="The month, as 2026-06.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file; <site>-<month>.html if left out.",
)
@click.option("--site", help="The site; not needed when the ledger holds only one.")
@click.option(
    "--plant", type=click.Path(path_type=Path), help="The plant; the state folder's plant.toml if left out."
)
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(
    month: tuple[int, int], out: Path | None, site: str | None, plant: Path | None, state: Path | None
) -> None:
    """Write a month's report: one HTML file with its charts inside, for the screen and for A4 paper."""
    folder = state_folder(state)
    described = load_plant(folder / "plant.toml" if plant is None else plant)
    material = gather(folder, site, described, *month)
    file = Path(f"{described.site.id}-{month[0]}-{month[1]:02}.html") if out is None else out
    try:
        write_atomically(file, render(sheet_of(material)))
    except OSError as error:
        msg = f"{file} cannot be written: {error}; give another place with --out"
        raise ReportError(msg) from error
    click.echo(f"{file} written; open it in a browser, or print it from there")
