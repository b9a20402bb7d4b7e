"""`wheelpit battery`: how full it is, how sure that is, and how long it lasts."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.battery import BatteryAccount, battery_account
from wheelpit.accounts.figure import COVERAGE_FACTOR
from wheelpit.accounts.household import household
from wheelpit.commands.books import figure_json
from wheelpit.commands.reading_options import days, reads, wants_json
from wheelpit.store.choose import without_logbook
from wheelpit.store.days import LocalDays
from wheelpit.store.logbook import FILE, Logbook

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.accounts.figure import Figure
    from wheelpit.accounts.household import Household
    from wheelpit.commands.reading_options import Source

_DAY_MS: Final = 86_400_000
_HOUR_MS: Final = 3_600_000
_FIGURES: Final = (
    "charge_pct", "charge_efficiency", "energy_efficiency", "capacity_ah", "resistance_ohm", "hours_left",
)  # fmt: skip
_PLAIN: Final = (
    "from_ms", "at_ms", "basis", "full_ms", "rests", "battery_v", "battery_a", "battery_degc", "in_ah", "out_ah", "in_wh",
    "out_wh", "cycles", "down_to", "freezing_degc", "notes",
)  # fmt: skip
_MARKS: Final = {"measured": "", "modelled": ", modelled", "lower-bound": ", at least"}


def _told(name: str, figure: Figure | None, unit: str, *, digits: int = 0, factor: float = 1.0) -> list[str]:
    if figure is None:
        return []
    half = COVERAGE_FACTOR * figure.u * factor
    note = f" ({figure.note})" if figure.note else ""
    mark = "" if figure.note else _MARKS[figure.origin]
    return [f"{name:22}{figure.value * factor:.{digits}f} {unit} +-{half:.{digits}f}{mark}{note}"]


def as_text(found: BatteryAccount, now_ms: int, house: Household | None = None) -> str:
    """Return the account for people."""
    text: list[str] = []
    if found.charge_pct is not None:
        half = COVERAGE_FACTOR * found.charge_pct.u
        text.append(f"bank about {found.charge_pct.value:.0f} % (+-{half:.0f}); {found.full_text(now_ms)}")
    else:
        text.append(f"bank: {found.full_text(now_ms)}")
    now = [
        f"{value:.{digits}f} {unit}"
        for value, unit, digits in (
            (found.battery_v, "V", 2), (found.battery_a, "A into it", 1), (found.battery_degc, "°C", 0),
        )
        if value is not None
    ]  # fmt: skip
    if now:
        text.append(f"{'now':22}{', '.join(now)}")
    if house is not None:
        text += _told("giving, last hour", house.give_w, "W")
        text += _told("taken, last hour", house.take_w, "W")
    text += _told("hours left", found.hours_left, "h")
    if found.basis == "counted":
        days = (found.at_ms - found.from_ms) / _DAY_MS
        text.append(
            f"{f'in {days:.0f} days':22}{found.in_ah:,.0f} Ah in, {found.out_ah:,.0f} Ah out ({found.in_wh / 1000:,.2f} and "
            f"{found.out_wh / 1000:,.2f} kWh), worth {found.cycles or 0:.1f} whole cycles"
        )
    text += _told("charge back per in", found.charge_efficiency, "%", factor=100)
    text += _told("energy back per in", found.energy_efficiency, "%", factor=100)
    text += _told("capacity", found.capacity_ah, "Ah")
    text += _told("resistance", found.resistance_ohm, "mohm", digits=1, factor=1000)
    if found.freezing_degc is not None:
        text.append(
            f"{'its acid may freeze at':23}{found.freezing_degc:.0f} °C, by the low end of its charge"
        )
    if found.acid is not None:
        acid = found.acid
        text.append(
            f"{'hydrometer':22}{acid.charge_pct.value:.0f} % (+-{COVERAGE_FACTOR * acid.charge_pct.u:.0f}), "
            f"{(now_ms - acid.at_ms) / _DAY_MS:.0f} days ago, cells differ by {acid.spread:.3f}"
        )
    return "\n".join([*text, *found.notes])


def as_json(site: str, found: BatteryAccount, house: Household) -> str:
    """Return the account for other programs."""
    told: dict[str, Any] = {"site": site, **{name: getattr(found, name) for name in _PLAIN}}
    told |= {name: figure_json(getattr(found, name)) for name in _FIGURES}
    told |= {"give_w": figure_json(house.give_w), "take_w": figure_json(house.take_w)}
    told["acid"] = None
    if found.acid is not None:
        told["acid"] = {
            "at_ms": found.acid.at_ms,
            "gravities_at_25_degc": found.acid.gravities,
            "spread": found.acid.spread,
            "charge_pct": figure_json(found.acid.charge_pct),
            "advice": found.acid.advice,
        }
    return json.dumps(told, indent=2, ensure_ascii=False)


@click.command("battery")
@reads()
@days("The first day of the sums; 30 days ago if not told.", "The last day; the state is that at its end.")
@click.option("--down-to", type=click.FloatRange(0, 95), help="Down to how many per cent it is used.")
@wants_json
def command(
    source: Source, first: date | None, last: date | None, down_to: float | None, wants_json: bool
) -> None:
    """Print the battery's state: charge with its uncertainty, when it was last full, what went in and out.

    With charge_a alone there is no percentage: what the loads took is not known. A battery gives enough current to weld:
    remove rings, insulate tools, keep sparks away.
    """
    reader, site, plant = source.reader, source.site, source.needed_plant
    zone = reader.time_zone(site)
    local = LocalDays(zone)
    now_ms = time.time_ns() // 1_000_000
    to_ms = now_ms if last is None else min(local.bounds(last)[1], now_ms)
    if last is None:
        # A ledger that ended long ago speaks of its own end.
        newest_ms = reader.newest_ms(site)
        to_ms = to_ms if newest_ms is None else min(to_ms, newest_ms)
    from_ms = to_ms - 30 * _DAY_MS if first is None else local.bounds(first)[0]
    entries = Logbook(source.folder / FILE).entries(site, to_ms - 400 * _DAY_MS, to_ms)
    found = battery_account(
        reader,
        site,
        plant,
        from_ms=from_ms,
        to_ms=to_ms,
        entries=entries,
        down_to=None if down_to is None else down_to / 100,
    )
    found = replace(found, notes=(*found.notes, *without_logbook(reader, source.folder)))
    house = household(reader, site, plant, to_ms - _HOUR_MS, to_ms)
    if wants_json:
        click.echo(as_json(site, found, house))
        return
    if now_ms - to_ms > _DAY_MS:
        click.echo(f"as of {datetime.fromtimestamp(to_ms / 1000, ZoneInfo(zone)):%Y-%m-%d %H:%M}")
    click.echo(as_text(found, to_ms, house))
