"""`wheelpit season`: what months and years gave, against the last one, what was missed, and what is to be expected."""

from __future__ import annotations

import datetime as dt
import json
import time
from dataclasses import asdict, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import click
import numpy as np

from wheelpit.accounts.logged import logged
from wheelpit.accounts.season import SHARES, Season, season
from wheelpit.accounts.season_rows import read_ten_minutes
from wheelpit.accounts.tenminutes import stood_on_purpose
from wheelpit.commands import reading_options as options
from wheelpit.store.choose import keeping, without_logbook

if TYPE_CHECKING:
    from wheelpit.accounts.drift import Drift
    from wheelpit.accounts.figure import Figure
    from wheelpit.accounts.season import Month
    from wheelpit.accounts.tenminutes import TenMinutes
    from wheelpit.commands.reading_options import Source

_MANY: Final = 400
_BARS: Final = " .:-=+*#"
_SURELY: Final = 1.96


def rows_of(source: Source) -> TenMinutes:
    """Return all ten-minute rows of a site, showing progress where that takes a while."""

    def progress(done: int, of: int) -> None:
        if of > _MANY:
            click.echo(f"{done} of {of} days read", err=True)

    keep = keeping(source.reader, source.folder)
    return read_ten_minutes(source.reader, source.site, keep=keep, progress=progress)


def figure_text(figure: Figure | None, unit: str, scale: float = 1.0, digits: int = 1) -> str:
    """Return a figure with the half width of its 95 % interval, marked where it is modelled or a lower bound."""
    if figure is None:
        return "-"
    value, half = figure.value * scale, _SURELY * figure.u * scale
    before = ">= " if figure.origin == "lower-bound" else ""
    after = ", modelled" if figure.origin == "modelled" else ""
    return f"{before}{value:,.{digits}f} +- {half:,.{digits}f} {unit}{after}"


def _strip(month: Month, most_wh: float) -> str:
    """Return a month's days as a strip: taller marks for more energy, `?` where less than half was measured."""
    marks = []
    for bar in month.days:
        if bar.energy_wh is None or bar.coverage < 0.5:  # noqa: PLR2004 - half
            marks.append("?")
        else:
            level = bar.energy_wh / bar.coverage / most_wh if most_wh > 0 else 0.0
            marks.append(_BARS[min(int(level * len(_BARS)), len(_BARS) - 1)])
    return "".join(marks)


def as_text(found: Season) -> str:
    """Return a season as a page of text."""
    kwh = 1e-3
    lines = [
        f"{found.first} to {found.last}, {100 * found.coverage:.1f} % measured",
        f"energy           {figure_text(found.energy_wh, 'kWh', kwh)}",
        f"mean power       {figure_text(found.mean_w, 'W')} over the measured time",
    ]
    if found.capacity_factor is not None:
        lines.append(
            f"capacity factor  {figure_text(found.capacity_factor, '%', 100)} of the rated {found.rated_w:g} W"
        )
    most = max((bar.energy_wh or 0.0 for month in found.months for bar in month.days), default=0.0)
    lines += ["", f"{'month':9}{'energy':>24}{'measured':>10}  days"]
    for month in found.months:
        energy = figure_text(month.energy_wh, "kWh", kwh)
        lines.append(
            f"{month.year}-{month.month:02}  {energy:>24}{100 * month.coverage:>8.1f} %  {_strip(month, most)}"
        )
    lines += ["", *_against(found), *_curves(found), *_weeks(found), *_missed(found), *_outlook(found)]
    lines += [*_learned(found)]
    lines += [f"note: {note}" for note in found.notes]
    return "\n".join(lines)


def _against(found: Season) -> list[str]:
    against = found.against
    if against is None:
        return ["no year before to compare with", ""]
    change = "" if against.change is None else f", {figure_text(against.change, '%', 100)} more"
    if against.change is not None and against.change.value < 0:
        less = f"{-100 * against.change.value:.1f} +- {100 * _SURELY * against.change.u:.1f} % less"
        change = f", {less}"
    shared = f"over the {100 * against.shared:.0f} % of the time that was measured in both"
    lines = [
        f"{against.first} to {against.last} against the same days a year before, {shared}:",
        f"  {figure_text(against.this_wh, 'kWh', 1e-3)} against {figure_text(against.last_wh, 'kWh', 1e-3)}{change}",
    ]
    if against.changed:
        lines.append(f"  not the same plant: {'; '.join(against.changed)}")
    return [*lines, ""]


def _curves(found: Season) -> list[str]:
    lines: list[str] = []
    head = (
        "reached or passed for "
        + " ".join(f"{100 * share:>6.0f} %" for share in SHARES)
        + " of the measured time"
    )
    if found.power_curve is not None:
        lines += [head, "power [W]             " + " ".join(f"{value:>8.1f}" for value in found.power_curve)]
    if found.flow_curve is not None:
        lines.append("flow [L/s]            " + " ".join(f"{value:>8.2f}" for value in found.flow_curve))
    return [*lines, ""] if lines else []


def _weeks(found: Season) -> list[str]:
    if not found.weeks:
        return []
    return [
        "best weeks from  "
        + ", ".join(f"{week.monday} {week.mean_w.value:.0f} W" for week in found.best_weeks),
        "worst weeks from "
        + ", ".join(f"{week.monday} {week.mean_w.value:.0f} W" for week in found.worst_weeks),
        "",
    ]


def _missed(found: Season) -> list[str]:
    if not found.missed:
        return []
    lines = ["energy missed, by cause (what it would have been, less what it was):"]
    for one in found.missed:
        energy = figure_text(one.energy_wh, "kWh", 1e-3)
        lines.append(f"  {one.cause:13}{energy:>34}{one.hours:>9.1f} h{one.episodes:>6} times  {one.text}")
    return [*lines, ""]


def _outlook(found: Season) -> list[str]:
    told = found.outlook
    if told is None:
        return ["no outlook: it takes the same days of an earlier year", ""]
    low, high = max(told.energy_wh.low, 0.0) / 1000, told.energy_wh.high / 1000
    kwh = f"{told.energy_wh.value / 1000:.0f} kWh, most likely between {low:.0f} and {high:.0f}"
    return [f"outlook {told.first} to {told.last}: {kwh} ({told.energy_wh.note})", ""]


def _learned(found: Season) -> list[str]:
    lines: list[str] = []
    base = found.baselines
    if base is not None:
        since = dt.datetime.fromtimestamp(base.since_ms / 1000, dt.UTC).date()
        why = f", {base.why}" if base.why else ""
        lines.append(f"baselines from {base.good_h:,.0f} good hours since {since}{why}")
        for curve, what in ((base.power_of_speed, "rpm"), (base.power_of_flow, "L/s")):
            if curve is not None:
                pairs = ", ".join(
                    f"{x:.1f} {what} {y:.0f} W{'' if full else ' (incomplete)'}"
                    for x, y, full in zip(curve.x, curve.y, curve.complete, strict=True)
                )
                lines.append(f"  {pairs}")
        for figure, name, unit in (
            (base.ratio, "ratio", "turns per turn"),
            (base.k_conducting, "alternator, conducting", "V s/rad"),
            (base.k_open, "alternator, open", "V s/rad"),
        ):
            if figure is not None:
                lines.append(f"  {name} {figure_text(figure, unit, digits=3)} {figure.note}".rstrip())
    lines += [_drift(drift) for drift in found.drifts]
    if base is not None and not found.drifts:
        lines.append("no drift is claimed")
    return [*lines, ""]


def _drift(drift: Drift) -> str:
    when = f"since {drift.since} (+- {_SURELY * drift.since_u_days:.0f} days)"
    return f"DRIFT: {drift.text}, {figure_text(drift.share, '%', 100)} {when}: {drift.causes}"


def plain(value: Any) -> Any:  # noqa: PLR0911 - one for each kind of value
    """Return anything as JSON knows it: dates as text, columns as lists, what is not a number as nothing."""
    if is_dataclass(value) and not isinstance(value, type):
        return {key: plain(getattr(value, key)) for key in asdict(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def as_json(site: str, time_zone: str, found: Season) -> str:
    """Return a season for other programs; energies in Wh, powers in W, `u` the standard uncertainty."""
    told = {"site": site, "time_zone": time_zone, "shares": SHARES, **plain(found)}
    return json.dumps(told, indent=2, ensure_ascii=False)


@click.command("season")
@options.reads()
@options.days(
    "The first day; New Year of the last day's year if left out.",
    "The last day; the last there is if left out.",
)
@click.option("--all", "everything", is_flag=True, help="From the first day there is.")
@options.wants_json
def command(
    source: Source, first: dt.date | None, last: dt.date | None, everything: bool, wants_json: bool
) -> None:
    """Print a season: months, against last year, duration curves, best and worst weeks, missed energy, outlook.

    Nothing is filled in; comparisons are over times that were measured in both years.
    """
    site = source.site
    zone = source.reader.time_zone(site)
    rows = rows_of(source)
    if not rows.days:
        click.echo("no day has records yet")
        return
    end = min(last, rows.days[-1].day) if last is not None else rows.days[-1].day
    begin = first
    if begin is None and not everything:
        begin = dt.date(end.year, 1, 1)
    now_ms = time.time_ns() // 1_000_000
    book = logged(source.folder, site, now_ms)
    found = season(
        stood_on_purpose(rows, book.stood),
        source.plant,
        begin,
        end,
        restarts=book.restarts,
        raked_ms=book.raked_ms,
        today=dt.datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone)).date(),
    )
    if found is None:
        click.echo("no day has records in this range")
        return
    found = replace(found, notes=(*found.notes, *without_logbook(source.reader, source.folder)))
    click.echo(as_json(site, zone, found) if wants_json else as_text(found))
