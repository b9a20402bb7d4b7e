"""`wheelpit report`: a month or a year on paper, as one file that needs nothing else."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from wheelpit.commands.reading_options import reads
from wheelpit.places import write_atomically
from wheelpit.report import gather
from wheelpit.report.gather import ReportError
from wheelpit.report.period import sheet_of
from wheelpit.report.sheet import render

if TYPE_CHECKING:
    from wheelpit.commands.reading_options import Source

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
@reads(site=False)
def command(source: Source, month: tuple[int, int] | None, year: int | None, out: Path | None) -> None:
    """Write the report of a month or a year: one HTML file with its charts inside, for the screen and for A4 paper."""
    if (month is None) == (year is None):
        raise click.UsageError("say of which time: --month 2026-06, or --year 2026")
    reader, folder, described = source.reader, source.folder, source.needed_plant
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
