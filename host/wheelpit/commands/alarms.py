"""`wheelpit alarms`: what stands, what stood, what to do about it; and that a person has seen it."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from wheelpit.errors import WheelpitError
from wheelpit.places import running, state_folder
from wheelpit.store.alarms import read_alarms
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader
from wheelpit.watch.requests import Requests, Seen
from wheelpit.watch.words import duration, local_time

if TYPE_CHECKING:
    from wheelpit.store.alarms import AlarmRow

_HEAD = ("NO", "PRIORITY", "CONDITION", "NODE", "SINCE", "LASTED", "STATE")
_TAKEN_S = 5.0  # a service that runs takes a word over within a second or two


class EpisodeError(WheelpitError):
    """No alarm has that number."""


def as_json(row: AlarmRow) -> dict[str, Any]:
    """Return an episode with its state, ready for `json.dumps`; times are Unix milliseconds."""
    return {**asdict(row), "open": row.open, "state": row.state}


def as_table(rows: list[AlarmRow], zone: ZoneInfo, now_ms: int) -> str:
    """Return a table for people; under each alarm that stands, what to do and by which limit it was raised."""
    lines = [
        (
            str(row.episode),
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


def acknowledge(folder: Path, numbers: tuple[int, ...]) -> None:
    """Leave word for the service that alarms were seen, and wait for it where it runs.

    Raises:
        EpisodeError: there is no alarm of such a number; then nothing is done.
        RequestError: the word could not be written down.

    """
    reader = LedgerReader(folder / FILE)
    rows = _by_number(reader)
    missing = [number for number in numbers if number not in rows]
    if missing:
        msg = f"no alarm has the number {missing[0]}: `wheelpit alarms` lists them with their numbers"
        raise EpisodeError(msg)
    requests = Requests(folder)
    waiting = []
    for number in dict.fromkeys(numbers):
        row = rows[number]
        if row.acknowledged_ms is not None:
            click.echo(f"alarm {number} ({row.title}) was acknowledged before")
            continue
        requests.leave(Seen.of(row, time.time_ns() // 1_000_000))
        waiting.append(number)
    service = running(folder, "serve") or {}
    ends_s = time.monotonic() + _TAKEN_S
    while waiting:
        rows = _by_number(reader)
        taken = [number for number in waiting if rows[number].acknowledged_ms is not None]
        for number in taken:
            waiting.remove(number)
            still = "it stands on" if rows[number].open else "it is over"
            click.echo(f"alarm {number} ({rows[number].title}) is acknowledged; {still}")
        if any(rows[number].site != service.get("site") for number in waiting) or time.monotonic() > ends_s:
            break
        time.sleep(0.1)
    for number in waiting:
        click.echo(
            f"alarm {number} ({rows[number].title}): written down; the service takes it over when it runs"
        )


def _by_number(reader: LedgerReader) -> dict[int, AlarmRow]:
    with reader.open() as ledger:
        return {row.episode: row for row in read_alarms(ledger)}


@click.command("alarms")
@click.option("--site", help="Only this site; otherwise every site in the ledger.")
@click.option("--open", "open_only", is_flag=True, help="Only alarms that stand.")
@click.option("--json", "wants_json", is_flag=True, help="Print JSON, for other programs.")
@click.option(
    "--acknowledge",
    "seen",
    type=click.IntRange(1),
    multiple=True,
    metavar="NO",
    help="Say that you have seen the alarm of this number, instead of listing; may be given several times.",
)
@click.option("--state", type=click.Path(path_type=Path), help="The state folder.")
def command(
    site: str | None, open_only: bool, wants_json: bool, seen: tuple[int, ...], state: Path | None
) -> None:
    """List alarms: those that stand first, the worst first, each with its remedy.

    A quiet list is no proof of safety: only what is measured is watched. To acknowledge an alarm mends nothing and
    ends nothing: it tells others that somebody knows. One that goes on standing is called unseen again after a while.
    """
    folder = state_folder(state)
    if seen:
        acknowledge(folder, seen)
        return
    reader = LedgerReader(folder / FILE)
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
