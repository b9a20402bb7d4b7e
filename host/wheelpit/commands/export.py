"""`wheelpit export`: the ledger as a table for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from wheelpit.accounts.export import Format, What, export, table
from wheelpit.commands.reading_options import days, reads
from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.commands.reading_options import Source

_EVERY_DAYS: Final = 30


class ExportError(WheelpitError):
    """The table cannot be written."""


@click.command("export")
@click.argument("out", type=click.Path(path_type=Path))
@days("The first local day, such as 2026-06-01.", "The last local day, included.")
@click.option(
    "--format", "kind", type=click.Choice(["csv", "parquet"]), help="By default what OUT's ending says."
)
@click.option(
    "--what",
    type=click.Choice(["records", "buckets", "days"]),
    default="records",
    show_default=True,
    help="One row for each record of a node, each 10 minutes, or each local day.",
)
@click.option("--replace", is_flag=True, help="Replace a file of that name when the new one is whole.")
@reads(plant=False)
def command(  # noqa: PLR0917 - click hands over by name
    source: Source,
    out: Path,
    first: date | None,
    last: date | None,
    kind: Format | None,
    what: What,
    replace: bool,
) -> None:
    """Write a table of what the ledger, or the database, holds to OUT, also while the service runs.

    Times come in the site's zone with their offset and in UTC milliseconds; a column's name says its unit. What was
    not measured is empty. Records without a date are in no day: how much they hold is said at the end.
    """
    if kind is None:
        kind = "parquet" if out.suffix == ".parquet" else "csv"
    reader, site = source.reader, source.site

    def progress(done: int, of: int) -> None:
        if done and done % _EVERY_DAYS == 0:
            click.echo(f"{done} of {of} days", err=True)

    try:
        made = table(reader, site, what, first, last, progress=progress)
        count = export(made, out, kind, replace=replace)
    except OSError as error:
        msg = f"{out} cannot be written: {error}"
        raise ExportError(msg) from error
    click.echo(f"{out}: {count} {what} of {site}")
    if made.sums_only:
        gone = sum(records for _, records in made.sums_only)
        click.echo(
            f"not in it: {gone} records of {len(made.sums_only)} days up to {made.sums_only[-1][0]}, of which only sums "
            "are kept; --what buckets has them"
        )
    left_out = {name: amount for name, amount in reader.undated(site).items() if name.endswith("_mwh")}
    for name, amount in left_out.items():
        click.echo(f"not in it: {name} {amount} in records whose date is not known yet")
