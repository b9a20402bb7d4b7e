"""`wheelpit twin`: run a simulated plant, break it, ask it."""

from __future__ import annotations

import asyncio
import json
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wheelpit.places import announce, running, state_folder
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.balance import LABELS
from wheelpit.twin.client import ask, find
from wheelpit.twin.faults import FAULTS
from wheelpit.twin.live import LiveTwin
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.server import ADDRESS, TwinServer
from wheelpit.twin.trouble import TwinRunsError

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant import Plant

_J_PER_WH = 3600
_SLICE_S = 60.0


@dataclass(frozen=True, slots=True)
class _Told:
    """The options of the group, which its subcommands may give again."""

    plant: Path | None
    state: Path | None
    seed: int
    flow_l_s: float


_state = click.option(
    "--state",
    type=click.Path(path_type=Path),
    help="State folder. Default: WHEELPIT_STATE, or that of a running demo.",
)
_json = click.option("--json", "as_json", is_flag=True, help="Print the whole answer as JSON.")


def _world(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that tell which plant is simulated, and how."""
    for option in (
        click.option("--flow", "flow_l_s", type=float, help="Mean flow to begin with, L/s. Default: 10."),
        click.option("--seed", type=int, help="Seed of all that is random. Default: 1."),
        click.option(
            "--plant",
            "plant_file",
            type=click.Path(path_type=Path),
            help="The plant.toml to simulate. Default: the invented plant of the demo.",
        ),
    ):
        command = option(command)
    return command


@click.group(invoke_without_command=True)
@_world
@_state
@click.option(
    "--port", default=0, type=click.IntRange(0, 65535), help="Port on 127.0.0.1. Default: a free one."
)
@click.pass_context
def command(  # noqa: PLR0917 - click hands over by name
    ctx: click.Context,
    plant_file: Path | None,
    seed: int | None,
    flow_l_s: float | None,
    state: Path | None,
    port: int,
) -> None:
    """Run a simulated plant in real time, for simulated boards to measure; with a subcommand, work on it.

    It is a simulation: nothing about the safety of a real wheel or battery can be learnt from it.
    """
    told = _Told(plant_file, state, 1 if seed is None else seed, 10.0 if flow_l_s is None else flow_l_s)
    ctx.obj = told
    if ctx.invoked_subcommand is None:
        _run_live(told, port)


def _plant(path: Path | None) -> Plant:
    return load_plant(demo_plant_path() if path is None else path)


def _run_live(told: _Told, port: int) -> None:
    folder = state_folder(told.state)
    already = running(folder, "twin")
    if already is not None:
        raise TwinRunsError(folder, int(already["pid"]))
    plant = _plant(told.plant)
    live = LiveTwin(TwinPlant(plant, seed=told.seed, flow_l_s=told.flow_l_s))

    async def serve() -> None:
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        server = TwinServer(live)
        bound = await server.start(port)
        with announce(folder, "twin", port=bound, site=plant.site.id):
            click.echo(f"The twin of {plant.site.name} runs on {ADDRESS}:{bound}. Ctrl-C ends it.")
            await server.run(stop)

    asyncio.run(serve())


@command.command("fault")
@click.argument("name", type=click.Choice(list(FAULTS)))
@click.argument("switch", type=click.Choice(["on", "off"]))
@_state
@click.pass_obj
def fault(told: _Told, name: str, switch: str, state: Path | None) -> None:
    """Break something in the running twin, or put it right."""
    ask(_door(told, state), "fault", name=name, on=switch == "on")
    click.echo(f"{name} {switch}: {FAULTS[name].text}." if switch == "on" else f"{name} off.")


fault.help = "\n\n".join(
    [
        "Break something in the running twin, or put it right.",
        *(f"{f.name}: {f.text}." for f in FAULTS.values()),
    ]
)


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


@command.command("run")
@click.option(
    "--seconds", type=click.FloatRange(min=0.05), required=True, help="How long, in simulated time."
)
@_world
@_json
@click.pass_obj
def run_fast(  # noqa: PLR0917 - click hands over by name
    told: _Told,
    seconds: float,
    plant_file: Path | None,
    seed: int | None,
    flow_l_s: float | None,
    as_json: bool,
) -> None:
    """Simulate a stretch of time as fast as the machine can, and print where the energy went."""
    twin = TwinPlant(
        _plant(plant_file or told.plant),
        seed=told.seed if seed is None else seed,
        flow_l_s=told.flow_l_s if flow_l_s is None else flow_l_s,
    )
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
        return ", ".join(name for name, there in value.items() if there) or "none"
    if isinstance(value, list):
        return ", ".join(str(item) for item in value) or "none"
    return str(value)
