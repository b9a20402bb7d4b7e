"""`wheelpit backup`: a checked copy of the ledger, also while the service runs."""

from __future__ import annotations

import time
from pathlib import Path

import click

from wheelpit.places import state_folder
from wheelpit.store.backup import back_up, stamp
from wheelpit.store.ledger import FILE


@click.command("backup")
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Replace a file of that name when the new copy is whole.")
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(out: Path, replace: bool, state: Path | None) -> None:
    """Copy the ledger to OUT while the service goes on; the copy is opened, checked and compared.

    If OUT is a folder, the copy gets a name with the moment in it. Keep copies on another disk, and keep plant.toml
    and the files with passwords with them: they are not in it.
    """
    ledger = state_folder(state) / FILE
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
