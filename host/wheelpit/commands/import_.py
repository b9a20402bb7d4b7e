"""`wheelpit import`: measurements from a CSV file, into the ledger."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.commands.reading_options import the_plant, the_site
from wheelpit.contract.names import CHANNELS, TOTALS
from wheelpit.errors import WheelpitError
from wheelpit.ingest.serve import now_ms, only_one
from wheelpit.places import state_folder
from wheelpit.store.csvrows import Column, Fault, Foreign, Table
from wheelpit.store.importing import Covered, Importer, booked_upto, journal_name
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    import sqlite3

    from wheelpit.store.csvrows import Times
    from wheelpit.store.importing import Row

_AT_ONCE: Final = 5_000
_SAY_EVERY: Final = 50_000
_FAULTS_SHOWN: Final = 20


class ImportCommandError(WheelpitError):
    """The file cannot be imported as it is."""


def mapping(told: tuple[str, ...]) -> dict[str, Column]:
    """Return where our names stand in a file, from `charge_a=Amps` or `charge_a=mA*0.001`."""
    found: dict[str, Column] = {}
    for text in told:
        name, _, column = text.partition("=")
        column, _, factor = column.partition("*")
        if name not in CHANNELS and name not in TOTALS:
            msg = f"--map {text}: {name!r} is none of our channels and totals, which are {', '.join((*CHANNELS, *TOTALS))}"
            raise ImportCommandError(msg)
        try:
            found[name] = Column(column.strip(), float(factor) if factor else 1.0)
        except ValueError as error:
            msg = f"--map {text}: {factor!r} is no factor"
            raise ImportCommandError(msg) from error
    return found


def _fingerprint(file: Path, how: str) -> str:
    try:
        with file.open("rb") as data:
            return hashlib.file_digest(data, "sha256").hexdigest() + how
    except OSError as error:
        msg = f"{file} cannot be read: {error}"
        raise ImportCommandError(msg) from error


class _Check:
    """The first reading: what cannot be used, and what the ledger has already."""

    def __init__(self, table: Table, site: str, fingerprint: str, db: sqlite3.Connection | None) -> None:
        self.faults: list[Fault] = []
        self.rows = self.known = 0
        self.upto: dict[str, int] = {}
        covered: dict[str, Covered] = {}
        for row in table.rows():
            if isinstance(row, Fault):
                self.faults.append(row)
                continue
            self.rows += 1
            if self.rows % _SAY_EVERY == 0:
                click.echo(f"{self.rows} rows read", err=True)
            if db is None:
                continue
            if row.node not in covered:
                covered[row.node] = Covered(db, site, row.node, journal_name(fingerprint, row.node))
                self.upto[row.node] = booked_upto(db, fingerprint, row.node)
            if row.line <= self.upto[row.node]:
                self.known += 1
            elif covered[row.node].meets(row.start_ms, row.end_ms):
                text = f"the ledger has measurements of node {row.node} for this time"
                self.faults.append(Fault(row.line, text))


def _book(ledger: Ledger, table: Table, importer: Importer, check: _Check) -> int:
    """Book the rows that are new and return how many they were."""
    skip = {fault.line for fault in check.faults}
    waiting: list[Row] = []
    new = 0

    def flush() -> None:
        nonlocal new
        with ledger.transaction():
            importer.book(waiting)
        new += len(waiting)
        waiting.clear()
        if new % _SAY_EVERY == 0:
            click.echo(f"{new} rows booked", err=True)

    for row in table.rows():
        if isinstance(row, Fault) or row.line in skip or row.line <= check.upto.get(row.node, 0):
            continue
        waiting.append(row)
        if len(waiting) == _AT_ONCE:
            flush()
    if waiting:
        flush()
    return new


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only say what would be imported and what is wrong.")
@click.option("--leave-out", is_flag=True, help="Import the rest when some lines cannot be used.")
@click.option(
    "--map", "maps", multiple=True, help="NAME=COLUMN, or NAME=COLUMN*FACTOR into our unit; repeat it."
)
@click.option(
    "--counter", "counters", multiple=True, help="This total stands as a running counter; repeat it."
)
@click.option(
    "--time", "time_column", help="The column with the time, for a file that is not our own export."
)
@click.option(
    "--times",
    type=click.Choice(["offset", "utc", "local", "unix-s", "unix-ms"]),
    default="offset",
    show_default=True,
    help="How times are written; local is the wall clock of the site.",
)
@click.option("--time-format", help="Such as '%d/%m/%Y %H:%M'. Default: ISO 8601.")
@click.option("--every-s", type=click.FloatRange(0.001), help="The seconds of which a row speaks.")
@click.option("--time-is-start", is_flag=True, help="The time is the start of the interval, not its end.")
@click.option("--node", default="imported", show_default=True, help="The node whose rows they become.")
@click.option("--site", help="The site; not needed when the ledger holds only one.")
@click.option("--plant", type=click.Path(path_type=Path), help="The plant, for a ledger that is made now.")
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(  # noqa: PLR0917 - click hands over by name
    file: Path,
    dry_run: bool,
    leave_out: bool,
    maps: tuple[str, ...],
    counters: tuple[str, ...],
    time_column: str | None,
    times: Times,
    time_format: str | None,
    every_s: float | None,
    time_is_start: bool,
    node: str,
    site: str | None,
    plant: Path | None,
    state: Path | None,
) -> None:
    """Import measurements from FILE, a CSV with a header: our own export of records, or any with --time and --map.

    The service must not run meanwhile. A file that is imported again adds nothing; a row for a time that a node has
    already, a local time that came twice or never, and whatever else cannot be used is named by its line.
    """
    folder = state_folder(state)
    foreign = None
    if time_column is not None:
        if every_s is None or not maps:
            msg = "a file that is not our own needs --every-s and at least one --map"
            raise ImportCommandError(msg)
        values = mapping(maps)
        foreign = Foreign(
            node=node, time=time_column, times=times, time_format=time_format, every_ms=round(every_s * 1000),
            at_start=time_is_start, values=values, counters=frozenset(counters),
        )  # fmt: skip
        wrong = [name for name in counters if name not in values or name not in TOTALS]
        if wrong:
            msg = f"--counter {wrong[0]}: it is no total that --map names"
            raise ImportCommandError(msg)
    reader = LedgerReader(folder / FILE)
    if reader.path.is_file():
        of_site = the_site(reader, site)
        zone = reader.time_zone(of_site)
    else:
        described = the_plant(plant, folder)
        if described is None:
            msg = f"{folder} has no ledger yet: say with --plant which plant it is"
            raise ImportCommandError(msg)
        of_site, zone = described.site.id, described.site.time_zone
    table = Table(file, ZoneInfo(zone), foreign)
    fingerprint = _fingerprint(file, "" if foreign is None else repr(foreign))
    if dry_run:
        _told(file, of_site, _first_reading(reader, table, of_site, fingerprint), leave_out=True)
        click.echo("nothing was written")
        return
    with only_one(folder):
        check = _first_reading(reader, table, of_site, fingerprint)
        _told(file, of_site, check, leave_out=leave_out)
        with Ledger(folder / FILE, now_ms()) as ledger:
            with ledger.transaction() as db:
                importer = Importer(db, of_site, zone, fingerprint)
            new = _book(ledger, table, importer, check)
    before = f"; {check.known} had been imported before" if check.known else ""
    click.echo(f"{new} rows imported into {folder / FILE}{before}")


def _first_reading(reader: LedgerReader, table: Table, site: str, fingerprint: str) -> _Check:
    if not reader.path.is_file():
        return _Check(table, site, fingerprint, None)
    with reader.open() as db:
        return _Check(table, site, fingerprint, db)


def _told(file: Path, site: str, check: _Check, *, leave_out: bool) -> None:
    for fault in check.faults[:_FAULTS_SHOWN]:
        click.echo(f"{file}, line {fault.line}: {fault.text}", err=True)
    if len(check.faults) > _FAULTS_SHOWN:
        click.echo(f"and {len(check.faults) - _FAULTS_SHOWN} more lines", err=True)
    click.echo(f"{file}: {check.rows} rows for {site} can be read, {len(check.faults)} lines cannot be used")
    if check.faults and not leave_out:
        msg = "nothing was imported: mend those lines, or leave them out with --leave-out"
        raise ImportCommandError(msg)
