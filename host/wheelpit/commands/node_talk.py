"""`wheelpit node order`, `send-settings` and `state`: talk with a node over the broker."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wheelpit.commands.broker_options import Broker, ca_options, certificates_of, password_of
from wheelpit.commands.network_options import network_of, reaches
from wheelpit.errors import WheelpitError
from wheelpit.node import boards, remote, settings
from wheelpit.places import running, state_folder
from wheelpit.plant import load_plant

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.contract.messages import OrderName


class RefusedError(WheelpitError):
    """The node did not do it; the text is its own."""

    exit_code = 1


def _talks(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say which broker and site."""
    options = (
        click.option("--site", help="The site's id; by default that of the running service."),
        click.option("--broker-host", help="Where the broker is; by default where the service says."),
        click.option("--broker-port", type=click.IntRange(1, 65535)),
        click.option("--broker-user", help="The user as whom the broker knows the host."),
        click.option(
            "--broker-password-file",
            type=click.Path(path_type=Path),
            help="A file with that user's password.",
        ),
        click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger."),
    )
    for option in reversed(options):
        function = option(function)
    return ca_options(function)


def _where(told: dict[str, Any], site: str | None = None) -> tuple[Broker, str]:
    """Return broker and site: as told, else as the running service says."""
    service = running(state_folder(told["state"]), "serve") or {}
    host, _, port = str(service.get("broker", "127.0.0.1:1883")).rpartition(":")
    found = told["site"] or site or service.get("site")
    if found is None:
        raise RefusedError("which site? No service runs on this state folder: say it with --site")
    password = password_of(told["broker_password_file"])
    broker = Broker(
        told["broker_host"] or host,
        told["broker_port"] or int(port),
        told["broker_user"],
        password,
        certificates_of(told["broker_ca"], told["broker_certificate"]),
    )
    return broker, str(found)


@click.command("order")
@click.argument("node")
@click.argument("what", metavar="identify|restart|quiet", type=click.Choice(["identify", "restart", "quiet"]))
@click.option("--for", "for_s", type=click.IntRange(1, 3600), help="Seconds, for identify and quiet.")
@click.option(
    "--wait",
    "wait_s",
    default=20.0,
    show_default=True,
    type=click.FloatRange(1, 600),
    help="Seconds to wait for the answer.",
)
@_talks
def order_command(node: str, what: OrderName, for_s: int | None, wait_s: float, **told: Any) -> None:
    """Have NODE do something once: blink its lamp, restart, or silence its lamp and buzzer for a while.

    Quiet never silences the guard itself: it goes on watching and acting. Nothing here starts, stops or resets the
    machine; what has acted is reset by hand at the wheel.
    """
    broker, site = _where(told)
    answer = remote.order(broker, site, node, what, for_s=for_s, wait_s=wait_s)
    if answer.state != "done":
        msg = f"node {node}: {what} {answer.state}: {answer.why}"
        raise RefusedError(msg)
    click.echo(f"node {node}: {what} done")


@click.command("send-settings")
@click.argument("node", required=False)
@click.option(
    "--plant", type=click.Path(path_type=Path), help="The description of the plant to derive them from."
)
@click.option(
    "--file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A settings.json to send as it is, instead.",
)
@click.option(
    "--board",
    default="pico-w",
    show_default=True,
    type=click.Choice(list(boards.BOARDS)),
    help="The kind of board.",
)
@reaches("node-", needed=False)
@click.option(
    "--forget", is_flag=True, help="Send none; take away those that lie at the broker for NODE instead."
)
@click.option("--revision", type=click.IntRange(1), help="By default one above all that the node has had.")
@click.option(
    "--wait",
    "wait_s",
    default=700.0,
    show_default=True,
    type=click.FloatRange(1, 3600),
    help="Seconds to wait for the last word.",
)
@_talks
def send_settings_command(  # noqa: PLR0917 - click hands over by name
    node: str | None,
    plant: Path | None,
    file: Path | None,
    board: str,
    forget: bool,
    revision: int | None,
    wait_s: float,
    **told: Any,
) -> None:
    """Send NODE new settings over the broker, and wait until it works by them or has taken them back.

    The node checks them as it does at its start and says which field is wrong. It restarts with them; where it does not
    reach the broker within five minutes, it goes back to the former ones. Secrets are never sent.

    Settings stay at the broker, and a node with an older revision takes them. So after a change at the board itself,
    send the same from here, or --forget what lies there.
    """
    if forget:
        if node is None:
            raise RefusedError("--forget: say for which NODE")
        broker, site = _where(told)
        remote.forget_settings(broker, site, node)
        click.echo(f"node {node}: no settings lie at the broker any more")
        return
    if (plant is None) == (file is None):
        raise RefusedError("say where the settings come from: --plant plant.toml, or --file settings.json")
    if plant is not None:
        if told["reach_host"] is None:
            raise RefusedError(
                "--node-broker-host is missing: name or address of the broker, as the node sees it"
            )
        described = load_plant(plant)
        chosen = settings.pick_node(described, node)
        wanted = settings.settings_of(described, chosen, boards.board_kind(board), network_of(told))
    else:
        assert file is not None  # noqa: S101 - said above
        wanted = settings.read_settings(file)
        chosen = node or str(wanted["node"])
    broker, site = _where(told, str(wanted["site"]))
    found = remote.send_settings(
        broker, site, chosen, wanted, revision=revision, wait_s=wait_s, tell=click.echo
    )
    if found.state != "applied":
        lines = [
            f"node {chosen}: revision {found.revision} {found.state}; {found.in_force} is in force",
            *found.problems,
        ]
        raise RefusedError("\n".join(lines))
    click.echo(f"node {chosen}: revision {found.revision} is in force")


@click.command("state")
@click.argument("node")
@click.option("--json", "wants_json", is_flag=True, help="Print JSON, for other programs.")
@_talks
def state_command(node: str, wants_json: bool, **told: Any) -> None:
    """Print what NODE last said of itself: its settings' revision, its mode, its last fault."""
    broker, site = _where(told)
    said = remote.ask(broker, site, node)
    if wants_json:
        click.echo(json.dumps(remote.as_json(said), indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(remote.as_lines(node, said)))
