"""The `wheelpit` command: finds the subcommand, hands over, turns our errors into one line."""

from __future__ import annotations

import importlib
from typing import Final

import click

from wheelpit import __version__
from wheelpit.errors import WheelpitError

# Imported only when used, so that `wheelpit serve` never loads the board's or the accounts' libraries.
_COMMANDS: Final = (
    "alarms",
    "backup",
    "battery",
    "board",
    "books",
    "cascade",
    "commission",
    "demo",
    "doctor",
    "export",
    "forward",
    "hours",
    "import",
    "keys",
    "match",
    "node",
    "note",
    "plant",
    "report",
    "restore",
    "season",
    "serve",
    "service",
    "twin",
)

# A module cannot bear a name that Python keeps for itself.
_MODULES: Final = {"import": "import_"}


class _Commands(click.Group):
    """A group whose subcommands live in `wheelpit.commands.<name>` as `command`."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = importlib.import_module(
            f"wheelpit.commands.{_MODULES.get(cmd_name, cmd_name)}"
        ).command
        return command

    def invoke(self, ctx: click.Context) -> object:
        if ctx.params["debug"]:
            return super().invoke(ctx)
        try:
            return super().invoke(ctx)
        except WheelpitError as error:
            for line in str(error).splitlines():
                click.echo(f"wheelpit: {line}", err=True)
            ctx.exit(error.exit_code)


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="wheelpit")
@click.option("--debug", is_flag=True, help="Show the whole traceback of an error.")
def main(debug: bool) -> None:  # noqa: FBT001 - read from the context by `invoke`
    """Watch, account for and improve a small home-built water-wheel generator.

    This program monitors. It is never the only protection of a machine or a battery.
    """
