"""`wheelpit books`: what each day gave, how much of it was measured, and what has no date."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.books import DayBook, day_books, total_energy
from wheelpit.accounts.figure import COVERAGE_FACTOR
from wheelpit.accounts.rebook import differences
from wheelpit.commands.reading_options import days, reads, wants_json

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.accounts.figure import Figure
    from wheelpit.commands.reading_options import Source

_MANY_DAYS: Final = 400


def spread(figure: Figure | None, digits: int = 1) -> str:
    """Return half of a figure's 95 % interval."""
    return "-" if figure is None else f"+-{COVERAGE_FACTOR * figure.u:,.{digits}f}"


def figure_json(figure: Figure | None) -> dict[str, Any] | None:
    """Return a figure for other programs, with the ends of its 95 % interval."""
    if figure is None:
        return None
    return asdict(figure) | {
        "low": figure.low,
        "high": None if figure.origin == "lower-bound" else figure.high,
    }


def _cell(value: float | None, digits: int = 0, before: str = "") -> str:
    return "-" if value is None else f"{before}{value:,.{digits}f}"


_HEAD: Final = (
    "day",
    "energy Wh",
    "95 % Wh",
    "measured",
    "turns",
    "turning h",
    "charging h",
    "peak W",
    "diverted Wh",
    "el. eff.",
)


def _row(book: DayBook) -> tuple[str, ...]:
    return (
        f"{book.day}{' so far' if book.partial else ''}",
        _cell(book.energy_wh, 3, ">= " if book.lower_bound else ""),
        spread(book.energy),
        f"{100 * book.coverage:.1f} %",
        _cell(book.revolutions, 1),
        _cell(book.turning_h, 2),
        _cell(book.charging_h, 2),
        _cell(book.peak_w, 1),
        _cell(book.diverted_wh, 3),
        "-" if book.electrical_efficiency is None else f"{100 * book.electrical_efficiency:.1f} %",
    )


def as_text(books: list[DayBook], undated: dict[str, int]) -> str:
    """Return the books as a table, with what has no date and what limits the figures below it."""
    lines = [_HEAD, *(_row(book) for book in books)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(_HEAD))]
    text = [
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    ]
    if not books:
        text.append("no day has records in this range")
    energy = {name: amount for name, amount in undated.items() if name in {"charge_mwh", "battery_in_mwh"}}
    for name, amount in energy.items():
        channel = "charge_a" if name == "charge_mwh" else "battery_a"
        text.append(f"undated: {amount / 1000:,.3f} Wh ({channel}) in records whose date is not known yet")
    if not energy:
        text.append("undated: nothing")
    whole = total_energy(books)
    if whole is not None and len(books) > 1:
        bound = ">= " if whole.origin == "lower-bound" else ""
        text.append(
            f"together: {bound}{whole.value:,.3f} Wh {spread(whole)} (95 %), {100 * whole.coverage:.1f} % measured; the "
            "sensors' errors are the same on all days and do not average out"
        )
    text += [f"energy is {note}" for note in sorted({book.note for book in books} - {""})]
    if any(book.energy_wh is not None and book.energy is None for book in books):
        text.append("how sure an energy is takes a plant.toml that describes its sensors")
    text += [f"{book.day}: the plant was changed: {what}" for book in books for what in book.changes]
    return "\n".join(text)


def gaps_text(books: list[DayBook], time_zone: str) -> list[str]:
    """Return when something was not measured, a line each."""
    zone = ZoneInfo(time_zone)

    def at(ms: int) -> str:
        return datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone).strftime("%Y-%m-%d %H:%M")

    lines = [
        f"{at(gap.start_ms)} to {at(gap.end_ms)}: {gap.missing_ms / 60_000:.1f} min not measured"
        for book in books
        for gap in book.gaps or ()
    ]
    return lines or ["nothing was missed on these days"]


def as_json(site: str, time_zone: str, books: list[DayBook], undated: dict[str, int]) -> str:
    """Return the books for other programs; energies are exact integers in mWh beside their value in Wh."""
    days = [
        asdict(book)
        | {
            "day": book.day.isoformat(),
            "energy": figure_json(book.energy),
            "budget": dict(book.budget),
        }
        for book in books
    ]
    told = {
        "site": site,
        "time_zone": time_zone,
        "days": days,
        "together": figure_json(total_energy(books)),
        "undated": undated,
    }
    return json.dumps(told, indent=2, ensure_ascii=False)


@click.command("books")
@reads()
@days()
@click.option("--gaps", "wants_gaps", is_flag=True, help="List when something was not measured.")
@click.option(
    "--from-records",
    "again",
    is_flag=True,
    help="Add all kept records up anew and compare with the books, to the milliwatt hour.",
)
@wants_json
def command(  # noqa: PLR0917 - click hands over by name
    source: Source,
    first: date | None,
    last: date | None,
    wants_gaps: bool,
    again: bool,
    wants_json: bool,
) -> None:
    """Print the energy books: energy per local day, and how much of the day was measured.

    What was not measured is never filled in. Energy of records without a date is in a line of its own.
    """
    reader, site = source.reader, source.site

    def progress(done: int, of: int) -> None:
        if of > _MANY_DAYS:
            click.echo(f"{done} of {of} days", err=True)

    if again:
        lines, pruned = differences(reader, site, first, last, progress=progress)
        click.echo("\n".join(lines) or "the records add up to the books, to the last unit of every total")
        if pruned:
            click.echo(f"{len(pruned)} days were left out: not all of their full records are kept")
        if lines:
            raise click.exceptions.Exit(1)
        return
    books = day_books(reader, site, source.plant, first, last, progress=progress)
    undated = reader.undated(site)
    time_zone = reader.time_zone(site)
    if wants_json:
        click.echo(as_json(site, time_zone, books, undated))
        return
    click.echo(as_text(books, undated))
    if wants_gaps:
        click.echo("\n".join(gaps_text(books, time_zone)))
