"""The options that say how a node reaches the broker, as the node sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import click

from wheelpit.node.settings import Network

if TYPE_CHECKING:
    from collections.abc import Callable

Command = TypeVar("Command", bound="Callable[..., object]")


def reaches(before: str = "", *, needed: bool = True) -> Callable[[Command], Command]:
    """Return what adds the options to a command.

    Args:
        before: what stands before `broker` in their names, where a command has a broker of its own as well.
        needed: whether the broker's name must be given.

    """
    options = (
        click.option(
            f"--{before}broker-host",
            "reach_host",
            required=needed,
            help="Name or address of the broker, as the node sees it.",
        ),
        click.option(
            f"--{before}broker-port",
            "reach_port",
            default=1883,
            show_default=True,
            type=click.IntRange(1, 65535),
            help="Its port.",
        ),
        click.option(
            "--tls-name",
            help="Encrypt the connection, and hold the broker's certificate to this name or address.",
        ),
        click.option("--certificate", is_flag=True, help="With --tls-name: the node shows one of its own."),
        click.option(
            "--time-server",
            "time_servers",
            multiple=True,
            help="A time server that the node asks beside the host; may be given several times.",
        ),
    )

    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def network_of(told: dict[str, Any]) -> Network:
    """Return what the options say."""
    return Network(
        host=told["reach_host"] or "",
        port=told["reach_port"],
        tls_name=told["tls_name"],
        certificate=told["certificate"],
        time_servers=tuple(told["time_servers"]),
    )
