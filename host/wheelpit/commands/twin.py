"""`wheelpit twin`: run a simulated plant, break it, ask it."""

from __future__ import annotations

import asyncio
import functools
import json
import signal
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wheelpit.commands.twin_scenes import rehearse, scenarios
from wheelpit.commands.twin_year import year
from wheelpit.places import announce, running, state_folder
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.balance import LABELS
from wheelpit.twin.client import ask, find
from wheelpit.twin.faults import FAULTS, Fault, split
from wheelpit.twin.live import LiveTwin
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.season import DailyFlow, Season, read_daily_flow
from wheelpit.twin.server import ADDRESS, TwinServer
from wheelpit.twin.trouble import TwinRunsError
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from wheelpit.twin.season import Source

_J_PER_WH = 3600
_SLICE_S = 60.0


@dataclass(frozen=True, slots=True)
class _World:
    """Which plant is simulated, and how; what is None was not said."""

    plant: Path | None = None
    seed: int | None = None
    flow_l_s: float | None = None
    variant: int | None = None
    season: datetime | None = None
    daily_flow: Path | None = None

    def over(self, other: _World) -> _World:
        """Return this one, with what it does not say taken from another."""
        said = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        return replace(other, **said)

    def twin(self) -> TwinPlant:
        """Make the simulated plant."""
        told = load_plant(demo_plant_path() if self.plant is None else self.plant)
        seed = 1 if self.seed is None else self.seed
        source: Source | None = None
        if self.season is not None and self.daily_flow is not None:
            raise click.UsageError("--season and --daily-flow: give one of the two")
        if self.season is not None:
            source = Season(seed, self.season.date())
        elif self.daily_flow is not None:
            source = DailyFlow(read_daily_flow(self.daily_flow))
        usual_l_s = 10.0 if source is None else told.water.highest_flow_l_s
        flow_l_s = usual_l_s if self.flow_l_s is None else self.flow_l_s
        if self.variant is None:
            return TwinPlant(told, seed=seed, flow_l_s=flow_l_s, source=source)
        true = variant(told, self.variant)
        return TwinPlant(
            true.plant,
            seed=seed,
            flow_l_s=flow_l_s,
            assumptions=true.assumptions,
            told=told,
            sensors=true.sensors(told),
            source=source,
        )


@dataclass(frozen=True, slots=True)
class _Told:
    """The options of the group, which its subcommands may give again."""

    world: _World
    state: Path | None


_state = click.option(
    "--state",
    type=click.Path(path_type=Path),
    help="State folder. Default: WHEELPIT_STATE, or that of a running demo.",
)
_json = click.option("--json", "as_json", is_flag=True, help="Print the whole answer as JSON.")


def _world(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that tell which plant is simulated, and how, in its argument `world`."""

    @functools.wraps(command)
    def told(**options: Any) -> None:
        ours = {f.name: options.pop(f.name) for f in fields(_World)}
        command(world=_World(**ours), **options)

    for option in (
        click.option(
            "--daily-flow",
            type=click.Path(path_type=Path),
            help="File with a column of measured daily flows, L/s, that the stream follows from its first day.",
        ),
        click.option(
            "--season",
            type=click.DateTime(["%Y-%m-%d"]),
            help="Let the stream follow an invented year from this day on: rain, drought, frost, leaves.",
        ),
        click.option(
            "--variant",
            type=click.IntRange(min=0),
            help="Make the true plant and its sensors differ from the description, as plant of this number.",
        ),
        click.option(
            "--flow",
            "flow_l_s",
            type=float,
            help="Mean flow to begin with, L/s. Default: 10. With a stream, the most that the gate lets through.",
        ),
        click.option("--seed", type=int, help="Seed of all that is random. Default: 1."),
        click.option(
            "--plant",
            type=click.Path(path_type=Path),
            help="The plant.toml to simulate. Default: the invented plant of the demo.",
        ),
    ):
        told = option(told)
    return told


@click.group(invoke_without_command=True)
@_world
@_state
@click.option(
    "--port", default=0, type=click.IntRange(0, 65535), help="Port on 127.0.0.1. Default: a free one."
)
@click.pass_context
def command(ctx: click.Context, *, world: _World, state: Path | None, port: int) -> None:
    """Run a simulated plant in real time, for simulated boards to measure; with a subcommand, work on it.

    It is a simulation: nothing about the safety of a real wheel or battery can be learnt from it.
    """
    ctx.obj = _Told(world, state)
    if ctx.invoked_subcommand is None:
        _run_live(ctx.obj, port)


def _run_live(told: _Told, port: int) -> None:
    folder = state_folder(told.state)
    already = running(folder, "twin")
    if already is not None:
        raise TwinRunsError(folder, int(already["pid"]))
    live = LiveTwin(told.world.twin())
    site = live.plant.told.site

    async def serve() -> None:
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        server = TwinServer(live)
        bound = await server.start(port)
        with announce(folder, "twin", port=bound, site=site.id):
            click.echo(f"The twin of {site.name} runs on {ADDRESS}:{bound}. Ctrl-C ends it.")
            await server.run(stop)

    asyncio.run(serve())


@command.command("faults")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def faults_list(*, as_json: bool) -> None:
    """List what can be broken: name, what happens, what the severity means, and in which part it is.

    Where a name goes on with :CHANNEL, give a fitted channel: sensor-stuck:battery_v. What is in the node, the broker or
    the host the twin cannot do alone; the list says how it is done.
    """
    if as_json:
        click.echo(
            json.dumps([_fault_told(fault) for fault in FAULTS.values()], indent=2, ensure_ascii=False)
        )
        return
    for fault in FAULTS.values():
        told = _fault_told(fault)
        click.echo(f"{told['name']}  ({fault.where})")
        click.echo(f"    {fault.text}.")
        click.echo(f"    Severity: {fault.severity}.")
        if fault.remedy:
            click.echo(f"    Not by the twin: {fault.remedy}.")


def _fault_told(fault: Fault) -> dict[str, Any]:
    return {
        "name": f"{fault.name}:CHANNEL" if fault.per_channel else fault.name,
        "text": fault.text,
        "severity": fault.severity,
        "where": fault.where,
        "comes_and_goes": fault.loose,
        "elsewhere": fault.remedy or None,
    }


@command.command("fault")
@click.argument("name")
@click.argument("switch", type=click.Choice(["on", "off"]))
@click.option(
    "--severity",
    default=1.0,
    show_default=True,
    type=click.FloatRange(0, 1, min_open=True),
    help="How bad it gets.",
)
@click.option(
    "--ramp-s",
    default=0.0,
    show_default=True,
    type=click.FloatRange(min=0),
    help="How long it takes to get there, or to be right again, in seconds.",
)
@_state
@click.pass_obj
def fault(  # noqa: PLR0917 - click hands over by name
    told: _Told, name: str, switch: str, severity: float, ramp_s: float, state: Path | None
) -> None:
    """Break something in the running twin, or put it right; `wheelpit twin faults` lists what there is."""
    ask(_door(told, state), "fault", name=name, on=switch == "on", severity=severity, ramp_s=ramp_s)
    over = f" within {ramp_s:g} s" if ramp_s else ""
    if switch == "off":
        click.echo(f"{name} off{over}.")
        return
    how = f", severity {severity:g}" if severity < 1 else ""
    click.echo(f"{name} on{how}{over}: {FAULTS[split(name)[0]].text}.")


@command.command("state")
@_json
@_state
@click.pass_obj
def state_of(told: _Told, as_json: bool, state: Path | None) -> None:
    """Print what the running twin is like now."""
    _print(ask(_door(told, state), "state"), as_json=as_json)


@command.command("energy")
@click.option("--from-ms", type=int, help="Unix time in ms. Default: since the twin can tell.")
@click.option("--to-ms", type=int, help="Unix time in ms. Default: up to now.")
@_json
@_state
@click.pass_obj
def energy(told: _Told, from_ms: int | None, to_ms: int | None, as_json: bool, state: Path | None) -> None:
    """Print what flowed between two times, by the running twin's own integral."""
    _print(ask(_door(told, state), "energy", from_ms=from_ms, to_ms=to_ms), as_json=as_json)


@command.command("flow")
@click.argument("flow_l_s", metavar="L_S", type=float)
@_state
@click.pass_obj
def flow(told: _Told, flow_l_s: float, state: Path | None) -> None:
    """Set the running twin's gate to another mean flow, in litres a second."""
    ask(_door(told, state), "flow", flow_l_s=flow_l_s)
    click.echo(f"The gate stands at {flow_l_s:g} L/s.")


@command.command("parked")
@click.argument("switch", type=click.Choice(["on", "off"]))
@_state
@click.pass_obj
def parked(told: _Told, switch: str, state: Path | None) -> None:
    """Turn the switch "working here" at the simulated wheel; it does not stop the water."""
    ask(_door(told, state), "parked", on=switch == "on")
    click.echo(f"The switch at the wheel is {switch}.")


@command.command("run")
@click.argument("scenario", required=False)
@click.option(
    "--seconds", type=click.FloatRange(min=0.05), help="Without a scenario: how long, in simulated time."
)
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    help="With a scenario: how many times faster than real time. Default: as fast as the machine can.",
)
@_world
@_json
@click.pass_obj
def run_fast(
    told: _Told,
    *,
    scenario: str | None,
    seconds: float | None,
    speed: float | None,
    world: _World,
    as_json: bool,
) -> None:
    """Play a SCENARIO before the real watch, and tell which alarms came and whether they are right.

    Without one, simulate a stretch of time as fast as the machine can, and print where the energy went.
    """
    if scenario is not None:
        if seconds is not None or as_json:
            raise click.UsageError(
                "a SCENARIO has its own length and tells in words: leave out --seconds and --json"
            )
        rehearse(scenario, speed)
        return
    if seconds is None or speed is not None:
        raise click.UsageError(
            "give a SCENARIO (`wheelpit twin scenarios` lists them), or --seconds without --speed"
        )
    twin = world.over(told.world).twin()
    left_s = seconds
    while left_s > 0:
        twin.run(min(left_s, _SLICE_S))
        left_s -= _SLICE_S
    balance, totals = twin.balance(), twin.totals()
    if as_json:
        numbers = {**dict(balance.items()), "error_j": balance.error_j, "error_share": balance.error_share}
        click.echo(json.dumps({"seconds": twin.t_us / 1e6, **numbers, "revolutions": totals.revolutions}))
        return
    for name, value in balance.items():
        click.echo(f"{LABELS[name]:30}{value / _J_PER_WH:12.4f} Wh")
    click.echo(
        f"{'not accounted for':30}{balance.error_j / _J_PER_WH:12.4f} Wh, {100 * balance.error_share:.6f} %"
    )
    click.echo(f"{twin.t_us / 1e6:g} s, {totals.revolutions:.2f} turns of the wheel")


command.add_command(scenarios)
command.add_command(year)


def _door(told: _Told, state: Path | None) -> int:
    return find(state_folder(state or told.state))


def _print(answer: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(answer))
        return
    for name, value in answer.items():
        if name != "ok":
            click.echo(f"{name:20} {_shown(value)}")


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, dict):
        return ", ".join(f"{name} {level:g}" for name, level in value.items()) or "none"
    if isinstance(value, list):
        return ", ".join(str(item) for item in value) or "none"
    return str(value)
