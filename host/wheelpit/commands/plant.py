"""`wheelpit plant`: work with the description of a plant."""

from __future__ import annotations

import json
from pathlib import Path

import click

from wheelpit.plant import load_plant
from wheelpit.plant.check import as_json, as_text, check


@click.group("plant")
def command() -> None:
    """Work with plant.toml, the description of a plant."""


@command.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "wants_json", is_flag=True, help="Print everything as JSON, for other programs.")
def check_command(file: Path, wants_json: bool) -> None:
    """Check FILE and print what follows from it: speeds, powers, limits with reasons, what hurts.

    Values that are missing or wrong are told one a line with key, value and remedy, and the exit code is 2. A
    warning is no error: the exit code stays 0.
    """
    checked = check(load_plant(file))
    click.echo(json.dumps(as_json(checked), indent=2, ensure_ascii=False) if wants_json else as_text(checked))
