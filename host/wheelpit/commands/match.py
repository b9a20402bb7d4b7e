"""`wheelpit match`: would another pulley, or another setting of the converter, have given more?"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import click

from wheelpit.accounts.matching import PULLEYS_MM, MatchingError, match
from wheelpit.accounts.matching_model import LoadTest
from wheelpit.commands import reading_options as options
from wheelpit.commands.season import plain, rows_of

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.accounts.matching import Choice, Match
    from wheelpit.commands.reading_options import Source

CAUTION = (
    "Before a pulley is changed: water off, wheel chocked, and wait until the voltage before the converter is gone. A "
    "higher ratio raises what the wheel drives it to when the load is lost."
)


_LEAST_LOADS: Final = 3


def _line(choice: Choice, found: Match) -> str:
    gain = f"{100 * choice.gain.value:+6.1f} %"
    marks = []
    if choice.pulley_mm == found.today.pulley_mm:
        marks.append("today")
    if not choice.allowed:
        marks.append("too much for the parts")
    if choice.pulley_mm == found.best.pulley_mm and found.best.pulley_mm != found.today.pulley_mm:
        marks.append(f"best: {100 * found.best.gain.low:.1f} to {100 * found.best.gain.high:.1f} %")
    mark = "; ".join(marks)
    return (
        f"{choice.pulley_mm:9.1f}{choice.ratio:9.1f}:1{gain:>12}{choice.runaway_v:12.0f} V  {mark}".rstrip()
    )


def as_text(found: Match) -> str:
    """Return a match as a page of text."""
    lines = [
        f"from {found.hours:,.0f} hours, the wheel's curve from {found.basis}",
        f"{'pulley mm':>9}{'ratio':>11}{'energy':>12}{'load lost':>14}",
        *(_line(choice, found) for choice in found.pulleys),
        "",
        found.advice,
    ]
    for choice, words in ((found.setting, "today's pulley"), (found.both, "the best pulley")):
        if choice is not None:
            gain = f"{100 * choice.gain.value:+.1f} %"
            lines.append(f"with {words} the converter would give most at {choice.setting}: {gain}, modelled")
    return "\n".join([*lines, CAUTION])


@click.command("match")
@options.reads()
@options.days("The first day of the season; the first there is if left out.")
@click.option(
    "--pulley",
    "pulleys",
    type=click.FloatRange(10, 3000),
    multiple=True,
    help="A diameter that can be had [mm], in place of the usual ones; may be given several times.",
)
@click.option(
    "--load",
    "loads",
    type=(float, float),
    multiple=True,
    help="A load test in place of a weir: wheel speed [rpm] and power at its shaft [W]; three loads at one flow.",
)
@click.option(
    "--load-flow", type=click.FloatRange(0.05, 2000), help="The flow of that test, if gauged [L/s]."
)
@options.wants_json
def command(  # noqa: PLR0917 - click hands over by name
    source: Source,
    first: date | None,
    last: date | None,
    pulleys: tuple[float, ...],
    loads: tuple[tuple[float, float], ...],
    load_flow: float | None,
    wants_json: bool,
) -> None:
    """Find the pulley and the converter's setting that would have given most over the recorded season.

    Only pulleys that exist are looked at, and none with which a lost load would drive the voltage over what the
    converter and the parts before it bear.
    """
    if source.plant is None:
        raise MatchingError("no plant is described: give --plant, or put plant.toml into the state folder")
    rows = rows_of(source)
    asked = [
        span
        for span in rows.days
        if (first is None or span.day >= first) and (last is None or span.day <= last)
    ]
    if not asked:
        raise MatchingError("no day has records in this range")

    def progress(done: int, of: int) -> None:
        click.echo(f"\rlearning the plant, {done} of {of}", err=True, nl=done == of)

    test = None
    if loads:
        if len(loads) < _LEAST_LOADS:
            raise MatchingError("a load test takes three loads at one flow: give --load three times")
        test = LoadTest(tuple(rpm for rpm, _ in loads), tuple(watts for _, watts in loads), load_flow)
    season = rows.part(asked[0].begin, asked[-1].end)
    found = match(season, source.plant, test=test, pulleys_mm=pulleys or PULLEYS_MM, progress=progress)
    if wants_json:
        click.echo(json.dumps(plain(found), indent=2, ensure_ascii=False))
    else:
        click.echo(as_text(found))
