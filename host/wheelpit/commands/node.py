"""`wheelpit node`: a node's settings, its firmware, and what it says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wheelpit.commands.network_options import network_of, reaches
from wheelpit.commands.node_talk import order_command, send_settings_command, state_command
from wheelpit.node import boards, bundle, console, install, settings
from wheelpit.node.faults import faults_of
from wheelpit.plant import load_plant

if TYPE_CHECKING:
    from collections.abc import Callable

_plant = click.option(
    "--plant", required=True, type=click.Path(path_type=Path), help="The description of the plant."
)
_node = click.option("--node", help="Which node, where the plant has several.")
_board = click.option(
    "--board",
    default="pico-w",
    show_default=True,
    type=click.Choice(list(boards.BOARDS)),
    help="The kind of board.",
)
_port = click.option("--port", help="The board's serial port; without it the only one on USB.")


@click.group("node")
def command() -> None:
    """Make settings for a node, put the firmware on its board, read its console, talk with it over the broker."""


command.add_command(order_command)
command.add_command(send_settings_command)
command.add_command(state_command)


@command.command("settings")
@_plant
@_node
@_board
@reaches()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    help="The folder to write into; without it the current one.",
)
def settings_command(plant: Path, node: str | None, board: str, out: Path, **network: Any) -> None:
    """Write settings.json from the plant, and an empty secrets.json if there is none.

    Pins are checked against the board. A secrets.json that is there is never touched: it holds the Wi-Fi's and the
    broker's passwords, which you write in by hand.
    """
    told = _settings(plant, node, board, network_of(network))
    written = settings.write(told, out)
    click.echo(f"{written.settings}: settings of node {told['node']} of {told['site']}")
    if written.secrets_made:
        click.echo(f"{written.secrets}: fill in what your Wi-Fi and broker ask for; only you can read it")
    else:
        click.echo(f"{written.secrets}: left as it was")


@command.command("pins")
@_board
def pins_command(board: str) -> None:
    """Print which pins of a board may be what, and the usual wiring."""
    click.echo(boards.as_text(boards.board_kind(board)))


@command.command("install")
@_plant
@_node
@_board
@reaches()
@_port
@click.option(
    "--secrets",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The filled-in secrets.json for the board.",
)
@click.option(
    "--settings",
    "replace_settings",
    is_flag=True,
    help="Replace settings and secrets that are on the board; without it they are kept.",
)
@click.option(
    "--dry-run",
    is_flag=True,
    help="Print what would be done. With --port the board is looked at, and restarted.",
)
def install_command(  # noqa: PLR0917 - click hands over by name
    plant: Path,
    node: str | None,
    board: str,
    port: str | None,
    secrets: Path | None,
    replace_settings: bool,
    dry_run: bool,
    **network: Any,
) -> None:
    """Put the firmware on a board, and settings where it has none.

    A running node is interrupted; it measures nothing until this is done. Only files that differ go over, each is
    checked on the board before it takes the old one's place, and nothing but our own older files is removed: what
    the node has recorded stays. Do not do this while the machine depends on somebody watching it.
    """
    kind = boards.board_kind(board)
    reached = network_of(network)
    told = _settings(plant, node, board, reached)
    if reached.tls_name is not None and secrets is None:
        raise click.UsageError(
            "--tls-name needs --secrets: the certificates are taken from the folder of that file"
        )
    certificates = {} if secrets is None else settings.read_certificates(secrets.parent, reached)
    wanted = install.Wanted(
        firmware=bundle.compile_all(kind),
        settings=bundle.BoardFile(settings.SETTINGS_FILE, settings.as_bytes(told)),
        secrets=None
        if secrets is None
        else bundle.BoardFile(settings.SECRETS_FILE, settings.read_secrets(secrets)),
        replace_settings=replace_settings,
        certificates=[bundle.BoardFile(name, data) for name, data in certificates.items()],
    )
    if dry_run and port is None:
        click.echo(f"On an empty {kind.title} (give --port to compare with a board):")
        click.echo(install.plan_without_board(wanted).as_text())
        return
    with console.Console(console.find_port(port)) as opened:
        click.echo(f"Interrupting what runs on {opened.port} ...")
        opened.stop()
        facts = opened.facts()
        click.echo(f"{facts.machine}, MicroPython {facts.version_text}")
        install.check_board(facts, kind, wanted.firmware)
        plan = install.plan_for(opened, facts, wanted)
        click.echo(plan.as_text())
        if not dry_run and (plan.copy or plan.remove):
            _install(opened, plan)
        opened.restart()
        click.echo(f"{'Nothing was changed' if dry_run else 'Done'}; the board starts again.")


def _install(opened: console.Console, plan: install.Plan) -> None:
    with click.progressbar(
        length=plan.total_bytes, label="Copying", item_show_func=lambda path: path or ""
    ) as bar:
        step: Callable[[int, Any], None] = bar.update
        try:
            install.install(opened, plan, lambda path, count: step(count, path))
        except console.ConsoleError:
            click.echo("\nThe board holds part of the new firmware: run the command again.", err=True)
            raise


def _settings(plant: Path, node: str | None, board: str, network: settings.Network) -> dict[str, Any]:
    described = load_plant(plant)
    chosen = settings.pick_node(described, node)
    return settings.settings_of(described, chosen, boards.board_kind(board), network)


@command.command("log")
@_port
@click.option(
    "--seconds",
    default=30.0,
    show_default=True,
    type=click.FloatRange(0.1, 86_400),
    help="How long to listen.",
)
@click.option(
    "--faults", is_flag=True, help="First print the faults that it has kept; this restarts the node."
)
def log_command(port: str | None, seconds: float, faults: bool) -> None:
    """Print what a node says on its console, as it says it. Without --faults the node is not disturbed.

    Each line begins with the seconds since the node started. A node says what goes wrong and what comes right again;
    while all is well it is silent. Opening the port restarts some ESP32 boards.
    """
    with console.Console(console.find_port(port)) as opened:
        if faults:
            opened.stop()
            lines = faults_of(opened)
            click.echo("\n".join(lines) if lines else f"{opened.port}: no faults are kept")
            opened.restart()
            return
        said = opened.follow(seconds, lambda text: click.echo(text, nl=False))
    if not said:
        click.echo(f"{opened.port}: nothing in {seconds:g} s. A node is silent while all is well.")
