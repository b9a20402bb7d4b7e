"""`wheelpit commission`: the bench tests, step by step, at the wheel or from a file."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from wheelpit.accounts.commission.answers import AnswerError, Answers, live_answers, numbers
from wheelpit.accounts.commission.putting import left_out, put
from wheelpit.accounts.commission.results import outcome_json
from wheelpit.accounts.commission.run import Bench, Earlier, read_earlier
from wheelpit.accounts.commission.steps import ALWAYS
from wheelpit.accounts.commission.written import written_into
from wheelpit.places import state_folder, write_atomically
from wheelpit.plant.load import load_plant
from wheelpit.report.commission import BenchSheet, change_of, figure_text, sheet_of
from wheelpit.report.sheet import render

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.commission.results import Entry, Outcome
    from wheelpit.accounts.commission.steps import Question, Step
    from wheelpit.accounts.commission.written import Moved


def set_answer(answers: Answers, told: str) -> None:
    """Take an answer that was written as `step.name=1.5` or `step.name=1.5,1.6,1.4`."""
    key, equals, value = told.partition("=")
    if not equals:
        msg = f"{told!r}: write it as pull.rim_radius_m=0.8, or with commas, pull.idle_n=27,26.5,27.5"
        raise AnswerError(msg)
    answers.give(key.strip(), numbers(value, key.strip()))


def ask(bench: Bench, chosen: Sequence[Step]) -> None:
    """Go through the steps and ask what is not answered yet; each answer is kept at once."""
    for step in chosen:
        open_ones = [one for one in step.questions if f"{step.name}.{one.name}" not in bench.answers]
        if not open_ones:
            continue
        click.echo(f"\n{step.title}\n{step.does}\n! {step.care}\n! {ALWAYS}")
        if not click.confirm("Do this test now?", default=True):
            continue
        for one in open_ones:
            _ask_one(bench, step, one)
        for line in result_lines(bench.outcome(), None, step.name):
            click.echo(f"    {line}")


def _ask_one(bench: Bench, step: Step, one: Question) -> None:
    key = f"{step.name}.{one.name}"
    hint = f", {one.several} or more with commas between" if one.several > 1 else ""
    if one.usual is not None:
        hint += f", {one.usual:g} if not told"
    unit = f" [{one.unit}]" if one.unit else ""
    while True:
        shown = live_answers(step, bench.live()).get(one.name)
        if shown is not None:
            click.echo(f"  now it shows {shown:g} {one.unit}; write = to take that")
        told = str(
            click.prompt(f"  {one.text}{unit}{hint} (empty: not now)", default="", show_default=False)
        ).strip()
        if not told:
            return
        try:
            bench.answers.give(key, [shown] if told == "=" and shown is not None else numbers(told, key))
        except AnswerError as error:
            click.echo(f"  {error}")
            continue
        bench.keep()
        return


def result_lines(found: Outcome, earlier: Earlier | None, step: str | None = None) -> list[str]:
    """Return results as lines for people, beside an earlier sheet's where there is one."""
    results = [one for one in found.results if step in {None, one.step}]
    width = max((len(one.what) for one in results), default=0)
    lines = []
    for one in results:
        line = f"{one.what.ljust(width)}  {figure_text(one.figure, one.unit)}"
        then = None if earlier is None else earlier.figures.get(one.key)
        if then is not None and earlier is not None:
            line += f"   {earlier.day}: {figure_text(then, one.unit)}, {change_of(one.figure, then)}"
        lines.append(line + (f"  ({one.figure.note})" if one.figure.note else ""))
    return lines


def _write(file: Path, entries: Sequence[Entry], now: dt.datetime) -> tuple[Moved, ...]:
    """Put entries into plant.toml, with a copy of it as it was, and say what changed."""
    made, copy = put(file, entries, now)
    if copy is None:
        click.echo(f"{file} says all this already; it is as it was")
        return ()
    click.echo(f"{file} written, a copy of it as it was is {copy.name}:")
    for line in made.changed:
        click.echo(f"    {line}")
    for move in made.limits:
        click.echo(f"    limit {move.name}: {move.before} -> {move.after}: {move.reason}")
    click.echo(
        "restart wheelpit serve, and give the node its settings anew if a shunt's sign or zero changed"
    )
    return made.limits


@click.command("commission")
@click.argument("only", nargs=-1, metavar="[STEP]...")
@click.option(
    "--answers",
    "file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Answers from a TOML file.",
)
@click.option(
    "--set",
    "told",
    multiple=True,
    metavar="STEP.NAME=VALUE",
    help="One answer; several readings with commas.",
)
@click.option(
    "--ask/--no-ask", "asks", default=None, help="Whether to ask; asked unless answers are given by option."
)
@click.option("--questions", "lists", is_flag=True, help="List the steps and what each asks, and end.")
@click.option("--write", "writes", is_flag=True, help="Put the results into plant.toml, and finish this run.")
@click.option(
    "--leave", multiple=True, metavar="NAME.KEY", help="Do not write this one, such as battery_a.invert."
)
@click.option("--finish", "finishes", is_flag=True, help="Finish this run without touching plant.toml.")
@click.option(
    "--sheet", type=click.Path(path_type=Path), help="Write the printable sheet here, one HTML file."
)
@click.option(
    "--beside",
    type=click.Path(exists=True, path_type=Path),
    help="The earlier sheet; the newest one if not told.",
)
@click.option("--json", "wants_json", is_flag=True, help="Print the results as JSON, for other programs.")
@click.option(
    "--plant", type=click.Path(path_type=Path), help="The plant; the state folder's plant.toml if there."
)
@click.option("--state", type=click.Path(path_type=Path), help="The state folder.")
def command(  # noqa: PLR0917, C901 - click hands over by name; each option is a line
    only: tuple[str, ...],
    file: Path | None,
    told: tuple[str, ...],
    asks: bool | None,
    lists: bool,
    writes: bool,
    leave: tuple[str, ...],
    finishes: bool,
    sheet: Path | None,
    beside: Path | None,
    wants_json: bool,
    plant: Path | None,
    state: Path | None,
) -> None:
    """Test the plant at the bench, and put what follows into plant.toml.

    Signs and zeros of the shunts first, then pulls, turns, flow, voltages, thresholds, coast-down. Every answer is kept at
    once: break off and go on another day. A test that is left out leaves its results out.

    Water off and wheel chocked before anything is touched; never alone. Local codes and licensed people come first.
    """
    folder = state_folder(state)
    described = folder / "plant.toml" if plant is None else plant
    known = load_plant(described)
    bench = Bench(known, folder, dt.datetime.now(ZoneInfo(known.site.time_zone)))
    if lists:
        click.echo(as_questions(bench.steps))
        return
    chosen = _chosen(bench.steps, only)
    if file is not None:
        bench.answers.read(file.read_text(encoding="utf-8"), str(file))
    for one in told:
        set_answer(bench.answers, one)
    if file is not None or told:
        bench.keep()
    if asks if asks is not None else not (file or told or wants_json or sheet or writes or finishes):
        ask(bench, chosen)
    found = bench.outcome()
    earlier = bench.earlier() if beside is None else read_earlier(beside)
    click.echo(
        json.dumps(_json(bench, found, earlier), indent=2, ensure_ascii=False)
        if wants_json
        else "\n".join([*result_lines(found, earlier), *(f"! {warning}" for warning in found.warnings)])
    )
    limits: tuple[Moved, ...] = ()
    entries = left_out(found.entries, leave)
    if writes:
        limits = _write(described, entries, bench.now)
    if sheet is None and not writes and not finishes:
        return
    if not writes:
        text = described.read_text(encoding="utf-8")
        limits = written_into(text, entries, bench.now.replace(tzinfo=None), name=str(described)).limits
    page = _paper(bench, found, earlier, limits)
    if sheet is not None:
        write_atomically(sheet, page)
        click.echo(f"{sheet} written; open it in a browser, or print it from there", err=wants_json)
    if (writes or finishes) and found.results:
        click.echo(f"this run is put away as {bench.finish(found, page)}", err=wants_json)


def _paper(bench: Bench, found: Outcome, earlier: Earlier | None, limits: Sequence[Moved]) -> str:
    return render(
        sheet_of(
            BenchSheet(
                plant=bench.plant,
                day=bench.now.date(),
                steps=bench.steps,
                outcome=found,
                earlier=earlier,
                limits=limits,
            )
        )
    )


def _chosen(steps: Sequence[Step], only: Sequence[str]) -> list[Step]:
    names = [step.name for step in steps]
    for name in only:
        if name not in names:
            msg = f"{name!r} is no step; the steps are {', '.join(names)}"
            raise AnswerError(msg)
    return [step for step in steps if not only or step.name in only]


def _json(bench: Bench, found: Outcome, earlier: Earlier | None) -> dict[str, Any]:
    told: dict[str, Any] = {
        "site": bench.plant.site.id,
        "day": f"{bench.now:%Y-%m-%d}",
        **outcome_json(found),
    }
    told["earlier"] = None
    if earlier is not None:
        told["earlier"] = {
            "day": earlier.day.isoformat(),
            "results": {key: {"value": one.value, "u": one.u} for key, one in earlier.figures.items()},
        }
    return told


def as_questions(steps: Sequence[Step]) -> str:
    """Return the steps with all that is asked."""
    lines: list[str] = []
    for step in steps:
        lines += ["", f"[{step.name}] {step.title}", f"  {step.does}", f"  ! {step.care}"]
        for one in step.questions:
            several = f", {one.several} or more" if one.several > 1 else ""
            usual = f", {one.usual:g} if not told" if one.usual is not None else ""
            unit = f" [{one.unit}]" if one.unit else ""
            lines.append(f"  {step.name}.{one.name}: {one.text}{unit}{several}{usual}")
    return "\n".join([*lines[1:], f"! {ALWAYS}"])
