"""`wheelpit backup`: a checked copy of the ledger, also while the service runs."""

from __future__ import annotations

import time
from pathlib import Path

import click

from wheelpit.places import state_folder
from wheelpit.store.backup import back_up, stamp
from wheelpit.store.backup_logbook import beside, copy_logbook
from wheelpit.store.ledger import FILE
from wheelpit.store.logbook import FILE as LOGBOOK


@click.command("backup")
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Replace a file of that name when the new copy is whole.")
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(out: Path, replace: bool, state: Path | None) -> None:
    """Copy the ledger to OUT while the service goes on; the copy is opened, checked and compared.

    If OUT is a folder, the copy gets a name with the moment in it. The logbook's copy lies beside it. Keep copies on another
    disk, and keep plant.toml and the files with passwords with them: they are not in it.
    """
    folder = state_folder(state)
    ledger = folder / FILE
    if out.is_dir():
        out /= f"wheelpit-{stamp(time.time_ns() // 1_000_000)}.db"

    def progress(done: int, of: int) -> None:
        if done < of:
            click.echo(f"{done} of {of} pages copied", err=True)

    held = back_up(ledger, out, replace=replace, say=progress)
    size = out.stat().st_size
    click.echo(
        f"{out}: {held.rows['record']} records of {len(held.heads)} node stores, {size / 1e6:.1f} MB, "
        "checked and equal to the ledger"
    )
    logbook = folder / LOGBOOK
    if logbook.exists():
        entries = copy_logbook(logbook, beside(out), replace=replace)
        click.echo(f"{beside(out)}: {entries} entries of the logbook, checked")
