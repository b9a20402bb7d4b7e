"""`wheelpit restore`: a copy of the ledger in its place; the nodes fill up what came later."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wheelpit.ingest.serve import only_one
from wheelpit.places import state_folder
from wheelpit.store.backup import checked, put_back, readable, stamp
from wheelpit.store.backup_logbook import beside, copy_logbook
from wheelpit.store.ledger import FILE
from wheelpit.store.logbook import FILE as LOGBOOK

if TYPE_CHECKING:
    from wheelpit.store.backup import Contents


def plan(copy: Path, held: Contents, ledger: Path, before: Contents | None, *, there: bool) -> list[str]:
    """Return in words what putting a copy back will do."""
    lines = [f"{copy}: sound, {held.rows['record']} records, last written to about {stamp(held.seen_ms)}"]
    if not there:
        lines.append(f"{ledger} does not exist: the copy becomes it")
    elif before is None:
        lines.append(f"{ledger} cannot be read; it is kept as it is, under a name with the date")
    else:
        lines.append(f"{ledger} has {before.rows['record']} records; it is kept, under a name with the date")
        if before.ledger != held.ledger:
            lines.append(f"they are different ledgers: {before.ledger} there, {held.ledger} in the copy")
        back = [journal for journal, head in before.heads.items() if head > held.heads.get(journal, 0)]
        lines.append(f"{len(back)} of {len(before.heads)} node stores go back to an earlier record")
    lines += [
        "at the next start of the service the nodes send again what they still hold of what came later",
        "the energy of what they no longer hold comes with the next record of the same boot",
        "finer detail, and boots of which no node holds a record, are only in the ledger that was put aside",
    ]
    return lines


@click.command("restore")
@click.argument("copy", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(copy: Path, yes: bool, state: Path | None) -> None:
    """Put COPY in the ledger's place, after checking it; the ledger that is there is kept.

    Refused while the service runs. Says first what will happen, and asks.
    """
    folder = state_folder(state)
    ledger = folder / FILE
    held = checked(copy)
    with only_one(folder):
        for line in plan(copy, held, ledger, readable(ledger), there=ledger.exists()):
            click.echo(line)
        if not yes:
            click.confirm("Put the copy in place?", abort=True)

        def progress(done: int, of: int) -> None:
            if done < of:
                click.echo(f"{done} of {of} pages written", err=True)

        aside = put_back(copy, ledger, time.time_ns() // 1_000_000, progress)
    if aside is not None:
        click.echo(f"the ledger that was there is {aside}")
    _logbook(copy, folder / LOGBOOK)
    click.echo(f"{ledger} is the copy now; start `wheelpit serve`")


def _logbook(copy: Path, logbook: Path) -> None:
    """Put the logbook's copy back where there is none: what is written here is never replaced."""
    kept = beside(copy)
    if not kept.exists():
        return
    if logbook.exists():
        click.echo(f"{logbook} stays as it is; the copy of that day is {kept}")
        return
    click.echo(f"{logbook}: {copy_logbook(kept, logbook)} entries put back")
