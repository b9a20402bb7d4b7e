"""`wheelpit hours`: how the time was spent, day by day, and when the wheel stopped."""

from __future__ import annotations

import json
import time
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.timeledger import TimeLedger, time_ledgers
from wheelpit.accounts.timestates import LABELS, STATES
from wheelpit.commands import reading_options as options
from wheelpit.store.days import LocalDays

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.stops import Stop
    from wheelpit.commands.reading_options import Source
    from wheelpit.store.reading import Reading

_MS_PER_H: Final = 3_600_000
_HEADS: Final = ("charging", "held back", "idling", "slow", "stopped", "parked", "not measured")
COARSE: Final = (
    "made from ten-minute roll-ups, since full records are not kept or the time is long (--fine reads them all): "
    "charging and held back are parted by estimate, and stops are not dated"
)


def as_text(days: Sequence[date], ledgers: Sequence[TimeLedger], time_zone: str) -> str:
    """Return the hours of each day by state as a table, the whole below, and the stops."""
    if not ledgers:
        return "no day has records in this range"
    rows: list[tuple[str, ...]] = [("hours", *_HEADS, "stops")]
    for day, ledger in zip(days, ledgers, strict=True):
        stops = "-" if ledger.stops is None else str(len(ledger.stops))
        rows.append((str(day), *(f"{ledger.ms[state] / _MS_PER_H:.2f}" for state in STATES), stops))
    sums = {state: sum(ledger.ms[state] for ledger in ledgers) for state in STATES}
    length = max(sum(sums.values()), 1)
    rows += [
        ("together", *(f"{sums[state] / _MS_PER_H:.2f}" for state in STATES), ""),
        ("share", *(f"{100 * sums[state] / length:.1f} %" for state in STATES), ""),
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    text = [
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    text += [
        f"the wheel stopped at {_at(stop.at_ms, time_zone)} (+-{2 * stop.u_ms / 1000:.1f} s), {stop.kind}"
        for ledger in ledgers
        for stop in ledger.stops or ()
    ]
    text += sorted({note for ledger in ledgers for note in ledger.notes})
    if not ledgers[0].fine:
        text.append(COARSE)
    return "\n".join(text)


def _at(ms: int, time_zone: str) -> str:
    return (
        datetime.fromtimestamp(ms / 1000, UTC).astimezone(ZoneInfo(time_zone)).strftime("%Y-%m-%d %H:%M:%S")
    )


def as_json(site: str, time_zone: str, days: Sequence[date], ledgers: Sequence[TimeLedger]) -> str:
    """Return the time ledgers for other programs; the milliseconds of each day's states sum to the day."""

    def stop(one: Stop) -> dict[str, Any]:
        return {"at_ms": one.at_ms, "u_ms": one.u_ms, "kind": one.kind, "told_ms": one.told_ms}

    told = {
        "site": site,
        "time_zone": time_zone,
        "labels": LABELS,
        "days": [
            {
                "day": day.isoformat(),
                "from_ms": ledger.from_ms,
                "to_ms": ledger.to_ms,
                "ms": ledger.ms,
                "stops": None if ledger.stops is None else [stop(one) for one in ledger.stops],
                "fine": ledger.fine,
                "notes": ledger.notes,
            }
            for day, ledger in zip(days, ledgers, strict=True)
        ],
    }
    return json.dumps(told, indent=2, ensure_ascii=False)


@click.command("hours")
@options.reads()
@options.days(
    "The first day, such as 2026-06-01; a month ago if not told.",
    "The last day; the last one that has records if not told.",
)
@click.option("--fine", is_flag=True, help="Read full records whatever the length of time.")
@options.wants_json
def command(source: Source, first: date | None, last: date | None, fine: bool, wants_json: bool) -> None:
    """Print how each day's time was spent: every second in exactly one state.

    Charging, held back because the battery is full, above cut-in without charging, turning below cut-in, stopped, parked
    on purpose, not measured.
    """
    reader, site, plant = source.reader, source.site, source.needed_plant
    time_zone = reader.time_zone(site)
    days, cuts = _days(reader, site, time_zone, first, last)
    ledgers: list[TimeLedger] = []
    if days:

        def progress(done_ms: int, of_ms: int) -> None:
            if of_ms > 100 * 86_400_000:
                click.echo(f"{100 * done_ms // of_ms} %", err=True)

        ledgers = time_ledgers(reader, site, plant, cuts, fine=True if fine else None, progress=progress)
    click.echo(as_json(site, time_zone, days, ledgers) if wants_json else as_text(days, ledgers, time_zone))


def _days(
    reader: Reading, site: str, time_zone: str, first: date | None, last: date | None
) -> tuple[list[date], list[int]]:
    """Return the days that are meant, and where they begin and end; today only as far as it has come."""
    known = reader.day_marks(site, first, last)
    if not known:
        return [], []
    last = known[-1].day if last is None else last
    first = max(known[0].day, last - timedelta(days=30)) if first is None else first
    local = LocalDays(time_zone)
    now_ms = time.time_ns() // 1_000_000
    days: list[date] = []
    cuts: list[int] = []
    for number in range((last - first).days + 1):
        day = first + timedelta(days=number)
        start, end = local.bounds(day)
        if end > start and start < now_ms:
            days.append(day)
            cuts = [*cuts[:-1], start, min(end, now_ms)]
    return days, cuts
