"""`wheelpit keys`: a broker's configuration with a password and an access list for each node."""

from __future__ import annotations

from pathlib import Path

import click

from wheelpit.broker.files import host_user, make
from wheelpit.plant.load import load_plant


@click.command("keys")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--plant", required=True, type=click.Path(path_type=Path), help="The description of the plant.")
@click.option(
    "--port", default=1883, show_default=True, type=click.IntRange(1, 65535), help="Where it listens."
)
@click.option("--bind", help="The address on which it listens; by default every one of this machine.")
def command(folder: Path, plant: Path, port: int, bind: str | None) -> None:
    """Make in FOLDER what an MQTT broker (mosquitto 2) needs for the site, with a password for each node.

    Run it again after adding a node: passwords that are there stay. To renew one, delete its file first.
    """
    described = load_plant(plant)
    site = described.site.id
    made = make(folder, site, described.node_ids, port=port, bind=bind)
    click.echo(f"new passwords: {', '.join(made.new) or 'none'}")
    click.echo(f"start the broker:  mosquitto -c {made.config}")
    click.echo(
        f"start the host:    wheelpit serve --plant {plant} --broker-port {port} --broker-user {host_user(site)} "
        f"--broker-password-file {made.host_password}"
    )
    for node, file in made.node_secrets.items():
        click.echo(f"node {node}: put {file} on the board, with the Wi-Fi's name and password filled in")
    click.echo(
        "the folder must belong to the user as whom the broker runs; keep it and its copies from other eyes"
    )
