"""`wheelpit report`: a month or a year on paper, as one file that needs nothing else."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Final

import click

from wheelpit.places import state_folder, write_atomically
from wheelpit.plant.load import load_plant
from wheelpit.report import gather
from wheelpit.report.gather import ReportError
from wheelpit.report.period import sheet_of
from wheelpit.report.sheet import render
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

_MANY: Final = 400


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


@click.command("report")
@click.option("--month", type=MonthOf(), help="The month, as 2026-06.")
@click.option("--year", type=click.IntRange(2000, 2099), help="A whole year, in place of a month.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file; <site>-<month>.html if left out.",
)
@click.option(
    "--plant", type=click.Path(path_type=Path), help="The plant; the state folder's plant.toml if left out."
)
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(
    month: tuple[int, int] | None, year: int | None, out: Path | None, plant: Path | None, state: Path | None
) -> None:
    """Write the report of a month or a year: one HTML file with its charts inside, for the screen and for A4 paper."""
    if (month is None) == (year is None):
        raise click.UsageError("say of which time: --month 2026-06, or --year 2026")
    folder = state_folder(state)
    described = load_plant(folder / "plant.toml" if plant is None else plant)
    reader = LedgerReader(folder / FILE)
    if month is not None:
        material = gather.month(reader, folder, described, *month)
        name = f"{month[0]}-{month[1]:02}"
    else:
        material = gather.year_of(reader, folder, described, year or 0, _progress)
        name = str(year)
    file = Path(f"{described.site.id}-{name}.html") if out is None else out
    try:
        write_atomically(file, render(sheet_of(material)))
    except OSError as error:
        msg = f"{file} cannot be written: {error}; give another place with --out"
        raise ReportError(msg) from error
    click.echo(f"{file} written; open it in a browser, or print it from there")


def _progress(done: int, of: int) -> None:
    if of > _MANY:
        click.echo(f"{done} of {of} days read", err=True)
