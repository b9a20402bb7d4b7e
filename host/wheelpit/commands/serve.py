"""`wheelpit serve`: take what the nodes send, book it, watch over it."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from wheelpit.commands.broker_options import Broker, ca_options, certificates_of, password_of
from wheelpit.ingest.serve import Options, serve
from wheelpit.places import state_folder
from wheelpit.store.alarms import AlarmStore
from wheelpit.store.upkeep import KEEP_DAYS
from wheelpit.watch.messenger import MessengerProcess
from wheelpit.watch.requests import Requests
from wheelpit.watch.watch import Watch


@click.command("serve")
@click.option("--plant", required=True, type=click.Path(path_type=Path), help="The description of the plant.")
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
@click.option("--broker-host", default="127.0.0.1", show_default=True, help="Where the MQTT 5 broker is.")
@click.option("--broker-port", default=1883, show_default=True, type=click.IntRange(1, 65535))
@click.option("--broker-user", help="The user as whom the broker knows this host.")
@click.option(
    "--broker-password-file", type=click.Path(path_type=Path), help="A file with that user's password."
)
@ca_options
@click.option(
    "--notify-file", type=click.Path(path_type=Path), help="A file with who is told of alarms, one a line."
)
@click.option(
    "--keep-days",
    default=KEEP_DAYS,
    show_default=True,
    type=click.IntRange(0),
    help="Days with full records that stay; 0 keeps all. 10-minute and daily sums stay for ever.",
)
@click.option(
    "--accept-clock",
    is_flag=True,
    help="This host's clock is right, although the ledger has seen later times.",
)
def command(  # noqa: PLR0917 - click hands over by name
    plant: Path,
    state: Path | None,
    broker_host: str,
    broker_port: int,
    broker_user: str | None,
    broker_password_file: Path | None,
    broker_ca: Path | None,
    broker_certificate: Path | None,
    notify_file: Path | None,
    keep_days: int,
    accept_clock: bool,
) -> None:
    """Run the service: book what the nodes of a site send, give receipts, raise alarms.

    It waits for the broker if it is not there, and ends at Ctrl-C or SIGTERM. It only watches: the protection of
    machine and battery must not depend on it.
    """
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", datefmt="%Y-%m-%d %H:%M:%S"
    )
    broker = Broker(
        broker_host,
        broker_port,
        broker_user,
        password_of(broker_password_file),
        certificates_of(broker_ca, broker_certificate),
    )
    folder = state_folder(state)
    serve(
        Options(
            plant=plant,
            state=folder,
            broker=broker,
            make_watch=lambda described, connection: Watch(
                described, AlarmStore(connection), requests=Requests(folder)
            ),
            messenger=None if notify_file is None else MessengerProcess(folder, notify_file),
            accept_clock=accept_clock,
            keep_days=keep_days or None,
        )
    )
