"""`wheelpit alarms`: what stands, what stood, and what to do about it."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from wheelpit.places import state_folder
from wheelpit.store.alarms import read_alarms
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader
from wheelpit.watch.words import duration, local_time

if TYPE_CHECKING:
    from wheelpit.store.alarms import AlarmRow

_HEAD = ("PRIORITY", "CONDITION", "NODE", "SINCE", "LASTED", "STATE")


def as_json(row: AlarmRow) -> dict[str, Any]:
    """Return an episode with its state, ready for `json.dumps`; times are Unix milliseconds."""
    return {**asdict(row), "open": row.open, "state": row.state}


def as_table(rows: list[AlarmRow], zone: ZoneInfo, now_ms: int) -> str:
    """Return a table for people; under each alarm that stands, what to do and by which limit it was raised."""
    lines = [
        (
            row.priority,
            row.title,
            row.node,
            local_time(row.onset_ms, zone),
            duration(row.lasted_ms(now_ms)),
            row.state if row.open else f"over, {row.state}",
        )
        for row in rows
    ]
    widths = [max(len(line[k]) for line in [_HEAD, *lines]) for k in range(len(_HEAD))]

    def laid_out(line: tuple[str, ...]) -> str:
        return "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()

    shown = [laid_out(_HEAD)]
    for row, line in zip(rows, lines, strict=True):
        shown.append(laid_out(line))
        if row.open:
            shown += [f"    {text}" for text in (row.remedy, row.text, row.reason) if text]
    return "\n".join(shown)


@click.command("alarms")
@click.option("--site", help="Only this site; otherwise every site in the ledger.")
@click.option("--open", "open_only", is_flag=True, help="Only alarms that stand.")
@click.option("--json", "wants_json", is_flag=True, help="Print JSON, for other programs.")
@click.option("--state", type=click.Path(path_type=Path), help="The state folder.")
def command(site: str | None, open_only: bool, wants_json: bool, state: Path | None) -> None:
    """List alarms: those that stand first, the worst first, each with its remedy.

    A quiet list is no proof of safety: only what is measured is watched.
    """
    reader = LedgerReader(state_folder(state) / FILE)
    sites = reader.sites() if site is None else [site]
    zones = {name: ZoneInfo(reader.time_zone(name)) for name in sites}
    with reader.open() as ledger:
        rows = {name: read_alarms(ledger, name, open_only=open_only) for name in sites}
    if wants_json:
        told = [as_json(row) for name in sites for row in rows[name]]
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
        return
    now_ms = time.time_ns() // 1_000_000
    for name in sites:
        what = "No alarm stands." if open_only else "No alarm stands, and none stood."
        told_text = as_table(rows[name], zones[name], now_ms) if rows[name] else what
        click.echo(f"{name}\n{told_text}")
    if not sites:
        click.echo("No site is in the ledger yet.")
