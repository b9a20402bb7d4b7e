"""`wheelpit keys`: a broker's configuration with a password and an access list for each node."""

from __future__ import annotations

from pathlib import Path

import click

from wheelpit.broker.files import Encryption, host_user, make
from wheelpit.plant.load import load_plant


@click.command("keys")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--plant", required=True, type=click.Path(path_type=Path), help="The description of the plant.")
@click.option(
    "--port", default=1883, show_default=True, type=click.IntRange(1, 65535), help="Where it listens."
)
@click.option("--bind", help="The address on which it listens; by default every one of this machine.")
@click.option(
    "--tls-name",
    "names",
    multiple=True,
    help="Encrypt the listener, for this name or address of the broker; may be given several times.",
)
@click.option(
    "--certificates",
    "required",
    is_flag=True,
    help="With --tls-name: nodes and host must show certificates too.",
)
@click.option(
    "--plain-port",
    type=click.IntRange(1, 65535),
    help="With --tls-name: also listen here without encryption, for this machine only.",
)
def command(  # noqa: PLR0917 - click hands over by name
    folder: Path,
    plant: Path,
    port: int,
    bind: str | None,
    names: tuple[str, ...],
    required: bool,
    plain_port: int | None,
) -> None:
    """Make in FOLDER what an MQTT broker (mosquitto 2) needs for the site, with a password for each node.

    Run it again after adding a node: passwords that are there stay. To renew one, delete its file first.

    With --tls-name it also makes an authority of the site's own and certificates for the broker and each node; run it again
    once a year, since the broker's runs out after two. Keep authority/ca-key.pem on another machine: whoever has it can play
    the broker.
    """
    if required and not names:
        raise click.UsageError("--certificates needs --tls-name")
    if plain_port is not None and (not names or plain_port == port):
        raise click.UsageError("--plain-port needs --tls-name, and another number than --port")
    described = load_plant(plant)
    site = described.site.id
    encryption = (
        Encryption(names=names, require_certificates=required, plain_port=plain_port) if names else None
    )
    made = make(folder, site, described.node_ids, port=port, bind=bind, encryption=encryption)
    click.echo(f"new passwords: {', '.join(made.new) or 'none'}")
    if made.ca is not None:
        click.echo(f"new certificates: {', '.join(made.certificates) or 'none'}")
    click.echo(f"start the broker:  mosquitto -c {made.config}")
    click.echo(
        f"start the host:    wheelpit serve --plant {plant} --broker-port {port} --broker-user {host_user(site)} "
        f"--broker-password-file {made.host_password}"
        + ("" if made.ca is None else f" --broker-host {names[0]} --broker-ca {made.ca}")
        + (f" --broker-certificate {folder / 'keys' / 'host.pem'}" if required else "")
    )
    for node, file in made.node_secrets.items():
        click.echo(f"node {node}: put {file} on the board, with the Wi-Fi's name and password filled in")
        if made.ca is not None:
            what = "ca.der, client.der and client-key.der" if required else "ca.der"
            click.echo(
                f"node {node}: and {what} beside it; `wheelpit node install --tls-name {names[0]}` does so"
            )
    click.echo(
        "the folder must belong to the user as whom the broker runs; keep it and its copies from other eyes"
    )
