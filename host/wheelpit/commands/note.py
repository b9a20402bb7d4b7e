"""`wheelpit note`: the logbook, what people did at the plant."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.acid import acid_of
from wheelpit.commands.reading_options import Day, SiteError, the_plant, the_site
from wheelpit.places import state_folder
from wheelpit.store.days import LocalDays
from wheelpit.store.ledger import FILE as LEDGER
from wheelpit.store.logbook import FILE, HYDROMETER, KINDS, LASTING, TOPPED_UP, Draft, Logbook
from wheelpit.store.reader import LedgerMissing, LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from wheelpit.store.logbook import Entry

_EVER_MS: Final = 1 << 53
_TIMES: Final = ("%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S")


class Cells(click.ParamType[tuple[float, ...]]):
    """Specific gravities of cells, with commas between."""

    name = "gravities"

    def convert(
        self, value: str | tuple[float, ...], param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the numbers that were written."""
        if not isinstance(value, str):
            return value
        try:
            return tuple(float(part) for part in value.replace(" ", ",").split(",") if part)
        except ValueError:
            self.fail(f"{value!r}: write one number for each cell, such as 1.265,1.260,1.262", param, ctx)


def _options(function: Callable[..., None]) -> Callable[..., None]:
    for option in (
        click.option("--state", type=click.Path(path_type=Path), help="The state folder."),
        click.option(
            "--plant",
            type=click.Path(path_type=Path),
            help="The plant; the state folder's plant.toml if there.",
        ),
        click.option("--site", help="The site; not needed where there is only one."),
    ):
        function = option(function)
    return function


def place_of(site: str | None, plant: Path | None, state: Path | None) -> tuple[Logbook, str, ZoneInfo]:
    """Return the logbook that is meant, the site, and its time zone."""
    folder = state_folder(state)
    described = the_plant(plant, folder)
    reader = LedgerReader(folder / LEDGER)
    if described is not None and site in {None, described.site.id}:
        return Logbook(folder / FILE), described.site.id, ZoneInfo(described.site.time_zone)
    try:
        of_site = the_site(reader, site)
    except LedgerMissing as error:
        msg = f"which site? Give the plant's description with --plant ({error})"
        raise SiteError(msg) from error
    return Logbook(folder / FILE), of_site, ZoneInfo(reader.time_zone(of_site))


def moment(text: str | None, zone: ZoneInfo, now_ms: int) -> int:
    """Return a time that was written in the site's own time [Unix ms]: a day, a day and an hour, or an hour of today."""
    if text is None:
        return now_ms
    for form in _TIMES:
        try:
            return round(datetime.strptime(text, form).replace(tzinfo=zone).timestamp() * 1000)
        except ValueError:
            continue
    try:
        hour = datetime.strptime(text, "%H:%M").time()  # noqa: DTZ007 - the site's zone is put to it below
    except ValueError:
        msg = f"{text!r} is no time: write 2026-06-01, 2026-06-01T14:30, or 14:30 for today"
        raise SiteError(msg) from None
    today = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone).date()
    return round(datetime.combine(today, hour, zone).timestamp() * 1000)


def when(ms: int, zone: ZoneInfo) -> str:
    """Return a time in the site's own time."""
    return f"{datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone):%Y-%m-%d %H:%M}"


def line_of(entry: Entry, zone: ZoneInfo) -> str:
    """Return an entry as a line for people."""
    parts = [f"{entry.number:4d}  {when(entry.from_ms, zone)}  {KINDS.get(entry.kind, entry.kind)}"]
    if entry.lasting:
        parts.append("until " + (when(entry.to_ms, zone) if entry.to_ms is not None else "now"))
    if entry.gravities:
        parts.append(" ".join(f"{gravity:.3f}" for gravity in entry.gravities))
    if entry.degc is not None:
        parts.append(f"{entry.degc:g} °C")
    if entry.litres is not None:
        parts.append(f"{entry.litres:g} L")
    if entry.text:
        parts.append(entry.text)
    if entry.struck_ms is not None:
        parts.append(f"[struck out {when(entry.struck_ms, zone)}: {entry.struck_why}]")
    return ", ".join(parts)


@click.group("note")
def command() -> None:
    """Keep the logbook: what was done at the plant, in words and dates.

    What is written here explains stops and steps in the accounts. An entry is struck out, never deleted.
    """


def _writer(kind: str) -> click.Command:
    lasts = kind in LASTING

    @_options
    def write(  # noqa: PLR0917 - click hands over by name
        words: Sequence[str],
        at: str | None,
        site: str | None,
        plant: Path | None,
        state: Path | None,
        until: str | None = None,
        cells: tuple[float, ...] = (),
        degc: float | None = None,
        litres: float | None = None,
    ) -> None:
        book, of_site, zone = place_of(site, plant, state)
        now_ms = time.time_ns() // 1_000_000
        entry = book.write(
            Draft(
                site=of_site,
                kind=kind,
                from_ms=moment(at, zone, now_ms),
                to_ms=None if until is None else moment(until, zone, now_ms),
                text=" ".join(words),
                gravities=tuple(cells),
                degc=degc,
                litres=litres,
            ),
            now_ms,
        )
        click.echo(line_of(entry, zone))
        if kind == HYDROMETER:
            acid = acid_of(entry)
            click.echo(
                f"about {acid.charge_pct.value:.0f} % (+-{1.96 * acid.charge_pct.u:.0f}); the cells differ by {acid.spread:.3f}"
            )
            for told in (acid.charge_pct.note, acid.advice):
                if told:
                    click.echo(told)

    params: list[click.Parameter] = [
        click.Argument(["words"], nargs=-1),
        click.Option(
            ["--from" if lasts else "--at", "at"],
            help="When, in the site's time; now if not told.",
            metavar="TIME",
        ),
    ]
    if lasts:
        params.append(
            click.Option(
                ["--until", "--to", "until"], help="Its end; still going on if not told.", metavar="TIME"
            )
        )
    if kind == HYDROMETER:
        params += [
            click.Option(
                ["--cells", "cells"], type=Cells(), required=True, help="Each cell, such as 1.265,1.260."
            ),
            click.Option(["--degc", "degc"], type=float, help="Temperature of the acid."),
        ]
    if kind == TOPPED_UP:
        params.append(click.Option(["--litres", "litres"], type=float, help="Water added."))
    made = click.command(kind, help=f"Write down: {KINDS[kind]}.")(write)
    made.params = [*params, *made.params]
    return made


for _kind in KINDS:
    command.add_command(_writer(_kind), "text" if _kind == "note" else _kind)


@command.command("list")
@_options
@click.option("--from", "first", type=Day(), help="The first day.")
@click.option("--to", "last", type=Day(), help="The last day.")
@click.option("--struck", is_flag=True, help="Also what was struck out.")
@click.option("--json", "wants_json", is_flag=True, help="Print JSON, for other programs.")
def show(  # noqa: PLR0917 - click hands over by name
    site: str | None,
    plant: Path | None,
    state: Path | None,
    first: date | None,
    last: date | None,
    struck: bool,
    wants_json: bool,
) -> None:
    """Show the entries, oldest first."""
    book, of_site, zone = place_of(site, plant, state)
    local = LocalDays(str(zone))
    from_ms = -_EVER_MS if first is None else local.bounds(first)[0] - 1
    to_ms = _EVER_MS if last is None else local.bounds(last)[1]
    entries = book.entries(of_site, from_ms, to_ms, struck=struck)
    if wants_json:
        told: list[dict[str, Any]] = [asdict(entry) for entry in entries]
        click.echo(json.dumps({"site": of_site, "entries": told}, indent=2, ensure_ascii=False))
        return
    click.echo(
        "\n".join(line_of(entry, zone) for entry in entries) or "nothing is written down for this time"
    )


@command.command("end")
@click.argument("number", type=int)
@click.option("--at", help="When it ended, in the site's time; now if not told.", metavar="TIME")
@_options
def end(number: int, at: str | None, site: str | None, plant: Path | None, state: Path | None) -> None:
    """Say that what was still going on, such as a parked wheel, is over."""
    book, _, zone = place_of(site, plant, state)
    now_ms = time.time_ns() // 1_000_000
    click.echo(line_of(book.end(number, moment(at, zone, now_ms)), zone))


@command.command("strike")
@click.argument("number", type=int)
@click.argument("why", nargs=-1, required=True)
@_options
def strike(number: int, why: Sequence[str], site: str | None, plant: Path | None, state: Path | None) -> None:
    """Strike an entry out, with the reason; it stays in the book."""
    book, _, zone = place_of(site, plant, state)
    click.echo(line_of(book.strike(number, " ".join(why), time.time_ns() // 1_000_000), zone))
