"""`wheelpit cascade`: where the water's energy went, stage by stage, and how sure each is."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from wheelpit.accounts.cascade import Cascade, cascade
from wheelpit.commands.books import figure_json, spread
from wheelpit.commands.reading_options import days, reads, wants_json

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.accounts.cascade import Stage
    from wheelpit.accounts.figure import Figure
    from wheelpit.commands.reading_options import Source

_MARKS = {"measured": "measured", "modelled": "modelled", "lower-bound": "at least"}


def _row(stage: Stage) -> tuple[str, ...]:
    if stage.energy_wh is None:
        return (stage.name, "-", "", "-", "", "not known")
    share = stage.share
    return (
        stage.name,
        f"{'>= ' if stage.energy_wh.origin == 'lower-bound' else ''}{stage.energy_wh.value:,.1f}",
        spread(stage.energy_wh),
        "-" if share is None else f"{100 * share.value:.1f} %",
        _spread_pct(share),
        _MARKS[stage.energy_wh.origin] + (f", of {stage.before}" if stage.before else ""),
    )


def _spread_pct(share: Figure | None) -> str:
    if share is None:
        return ""
    return f"+-{100 * (share.high - share.value):.1f}"


def as_text(found: Cascade) -> str:
    """Return the cascade as a table, with what would give what is missing below it."""
    if found.first is None:
        return "no day has records in this range"
    head = ("stage", "energy Wh", "95 %", "share", "95 %", "how known")
    rows = [head, *(_row(stage) for stage in found.stages), ("going to:", "", "", "", "", "")]
    rows += [_row(stage) for stage in found.uses]
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    text = [
        (
            f"{found.first} to {found.last}: {found.common_h:,.1f} h in which all of it was measured together, "
            f"{100 * found.coverage:.1f} % of the time"
        )
    ]
    text += [
        "  ".join(
            cell.ljust(width) if i in {0, len(head) - 1} else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    if found.overall is not None:
        text.append(
            f"first to last known stage: {100 * found.overall.value:.1f} % {_spread_pct(found.overall)}, "
            f"{found.overall.origin}"
        )
    for stage in (*found.stages, *found.uses):
        if stage.needs:
            verb = "would be measured with" if stage.energy_wh is not None else "is not known; would be with"
            text.append(f"{stage.name} {verb} {stage.needs}")
    notes = {stage.energy_wh.note for stage in (*found.stages, *found.uses) if stage.energy_wh is not None}
    text += sorted(notes - {""})
    text += [
        f"the plant was changed in this time, so the shares are of more than one: {what}"
        for what in found.changes
    ]
    return "\n".join(text)


def as_json(site: str, found: Cascade) -> str:
    """Return the cascade for other programs."""

    def stage(one: Stage) -> dict[str, Any]:
        return asdict(one) | {"energy_wh": figure_json(one.energy_wh), "share": figure_json(one.share)}

    told = asdict(found) | {
        "site": site,
        "first": None if found.first is None else found.first.isoformat(),
        "last": None if found.last is None else found.last.isoformat(),
        "stages": [stage(one) for one in found.stages],
        "uses": [stage(one) for one in found.uses],
        "overall": figure_json(found.overall),
    }
    return json.dumps(told, indent=2, ensure_ascii=False)


@click.command("cascade")
@reads()
@days()
@wants_json
def command(source: Source, first: date | None, last: date | None, wants_json: bool) -> None:
    """Print the chain of energies from the water to the loads, and what each step keeps.

    A stage without a sensor is modelled by plant.toml and marked, or left out; shares are ratios of energies over the
    time in which everything was measured.
    """
    found = cascade(source.reader, source.site, source.needed_plant, first, last)
    click.echo(as_json(source.site, found) if wants_json else as_text(found))
