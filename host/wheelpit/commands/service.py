"""`wheelpit service`: what is due to be looked after, by use and by time."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.service import service, water_l
from wheelpit.commands.reading_options import needed_plant, the_site
from wheelpit.places import state_folder
from wheelpit.store.ledger import FILE
from wheelpit.store.logbook import FILE as LOGBOOK
from wheelpit.store.logbook import TOPPED_UP, Logbook
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.service import Due

_HEAD: Final = ("work", "used", "of", "unit", "since", "")


def as_text(found: Sequence[Due], time_zone: str, nominal_v: float) -> str:
    """Return a table of what is to be looked after, and how to say that it was done."""
    zone = ZoneInfo(time_zone)
    rows: list[tuple[str, ...]] = [_HEAD]
    for due in found:
        since = "-"
        if due.since_ms is not None:
            since = f"{datetime.fromtimestamp(due.since_ms / 1000, UTC).astimezone(zone):%Y-%m-%d}"
            since += "" if due.logged else " (first day in the ledger)"
        used = "-" if due.used is None else f"{due.used:,.3g}" if due.used < 100 else f"{due.used:,.0f}"  # noqa: PLR2004 - three figures
        rows.append((due.what, used, f"{due.interval:g}", due.unit, since, due.state))
    widths = [max(len(row[i]) for row in rows) for i in range(len(_HEAD))]
    text = [
        "  ".join(
            cell.rjust(width) if i in {1, 2} else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    for due in found:
        if due.state == "due":
            text.append(f"{due.what}: {due.care}. Then: wheelpit note {due.kind}")
        if due.kind == TOPPED_UP and due.used:
            litres = water_l(due.used, nominal_v)
            text.append(f"that charge can have split {litres:.2f} L of water in the whole bank, and no more")
    return "\n".join(text)


@click.command("service")
@click.option("--site", help="The site; not needed when the ledger holds only one.")
@click.option("--json", "wants_json", is_flag=True, help="Print everything as JSON, for other programs.")
@click.option(
    "--plant", type=click.Path(path_type=Path), help="The plant; the state folder's plant.toml if there."
)
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(site: str | None, wants_json: bool, plant: Path | None, state: Path | None) -> None:
    """Print what is due: belt, bearings, cells, acid, equalising, alarms tried.

    Intervals are those of [service] in plant.toml. Each counts from the newest entry of `wheelpit note` about it.
    """
    folder = state_folder(state)
    reader = LedgerReader(folder / FILE)
    of_site = the_site(reader, site)
    described = needed_plant(plant, folder)
    now_ms = time.time_ns() // 1_000_000
    found = service(reader, of_site, described, Logbook(folder / LOGBOOK), now_ms)
    if wants_json:
        told = {
            "site": of_site,
            "at_ms": now_ms,
            "due": [{**asdict(due), "state": due.state} for due in found],
        }
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    click.echo(as_text(found, reader.time_zone(of_site), described.battery.nominal_v))
