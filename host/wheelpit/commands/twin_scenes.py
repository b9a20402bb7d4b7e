"""`wheelpit twin scenarios` and `wheelpit twin run SCENARIO`: what may happen, and what the watch makes of it."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any

import click

from wheelpit.errors import WheelpitError
from wheelpit.twin.scenarios import find
from wheelpit.twin.scenarios import scenarios as all_scenarios

if TYPE_CHECKING:
    from wheelpit.twin.scenarios import Scenario


class FalseAlarmsError(WheelpitError):
    """A scenario in which the alarms were not the right ones."""

    exit_code = 1


@click.command("scenarios")
@click.option("--json", "as_json", is_flag=True, help="Print them as JSON.")
@click.option("--fault", help="Only those in which this fault occurs.")
def scenarios(*, as_json: bool, fault: str | None) -> None:
    """List the scenarios: what happens, for how long, and which alarms are right."""
    found = [scenario for scenario in all_scenarios() if fault is None or fault in scenario.faults]
    if as_json:
        click.echo(json.dumps([_told(scenario) for scenario in found], indent=2, ensure_ascii=False))
        return
    for scenario in found:
        right = ", ".join(one.alarm for one in scenario.right) or "none"
        later = f"; not asserted yet: {', '.join(scenario.later)}" if scenario.later else ""
        click.echo(f"{scenario.name}  ({scenario.minutes:g} min, {scenario.engine})")
        click.echo(f"    {scenario.title}.")
        click.echo(f"    Right alarms: {right}{later}.")


def _told(scenario: Scenario) -> dict[str, Any]:
    return {
        "name": scenario.name,
        "title": scenario.title,
        "story": scenario.story.strip(),
        "minutes": scenario.minutes,
        "engine": scenario.engine,
        "normal_life": scenario.normal_life,
        "faults": sorted(scenario.faults),
        "happens": [{"at_s": event.at_s, "what": event.what} for event in scenario.events],
        "right": [one.alarm for one in scenario.right],
        "false": scenario.false,
        "later": scenario.later,
    }


def rehearse(name: str, speed: float | None) -> None:
    """Play a scenario before the watch and print what happens.

    Args:
        name: The scenario's name, or the path of a file.
        speed: How many times faster than real time; as fast as the machine can where it is None.

    Raises:
        FalseAlarmsError: The alarms were not the right ones.
    """
    from wheelpit.demo.rehearsal import Rehearsal  # noqa: PLC0415 - the watch only when it is used

    scenario = find(name)
    click.echo(f"{scenario.title}.\n{scenario.story.strip()}\n")
    begun = time.monotonic()

    def pace(passed_s: float) -> None:
        if speed is not None:
            time.sleep(max(0.0, begun + passed_s / speed - time.monotonic()))

    outcome = Rehearsal(scenario, click.echo).run(pace)
    took_s = time.monotonic() - begun
    click.echo(
        f"\n{60 * scenario.minutes:g} s in {took_s:.1f} s, {60 * scenario.minutes / took_s:.0f} times as fast as real."
    )
    if outcome.problems:
        raise FalseAlarmsError("\n".join(outcome.problems))
    right = ", ".join(one.alarm for one in scenario.right) or "none"
    click.echo(f"The alarms were the right ones: {right}.")
