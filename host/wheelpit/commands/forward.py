"""`wheelpit forward`: copy what is booked into a time series database, and go on."""

from __future__ import annotations

import fcntl
import logging
import signal
import threading
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wheelpit.errors import WheelpitError
from wheelpit.forward.follow import Follower
from wheelpit.forward.progress import FILE as PROGRESS
from wheelpit.forward.progress import Progress
from wheelpit.forward.run import Forwarder
from wheelpit.forward.send import Sender
from wheelpit.places import announce, running, state_folder
from wheelpit.store.database import InfluxQL, database
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Iterator


class AlreadyForwardingError(WheelpitError):
    """Another forwarder works on this state folder."""


@contextmanager
def _only_one(state: Path) -> Iterator[None]:
    state.mkdir(parents=True, exist_ok=True)
    with (state / "forward.lock").open("a+b") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            other = running(state, "forward")
            who = "" if other is None else f" (process {other['pid']})"
            msg = f"a forwarder works on {state} already{who}: end it first"
            raise AlreadyForwardingError(msg) from error
        yield


@click.command("forward")
@click.option("--url", help="Where the database is. Default: WHEELPIT_INFLUX_URL.")
@click.option("--bucket", help="Its bucket. Default: WHEELPIT_INFLUX_BUCKET.")
@click.option("--org", help="Its organisation. Default: WHEELPIT_INFLUX_ORG.")
@click.option(
    "--token-file",
    type=click.Path(path_type=Path),
    help="A file with the token. Default: WHEELPIT_INFLUX_TOKEN_FILE, or the token in WHEELPIT_INFLUX_TOKEN.",
)
@click.option("--site", "sites", multiple=True, help="Only this site; may be given again. Default: all.")
@click.option("--once", is_flag=True, help="End when everything that is in the ledger now was sent.")
@click.option(
    "--accept-ledger", is_flag=True, help="Go on although the folder holds another ledger than before."
)
@click.option("--state", type=click.Path(path_type=Path), help="The folder of the ledger.")
def command(  # noqa: PLR0917 - click hands over by name
    url: str | None,
    bucket: str | None,
    org: str | None,
    token_file: Path | None,
    sites: tuple[str, ...],
    once: bool,
    accept_ledger: bool,
    state: Path | None,
) -> None:
    """Forward what the ledger holds to InfluxDB, or another database with its v2 write endpoint, until Ctrl-C.

    It reads the ledger beside the running service and keeps its own account in forward.db. Whatever happens to the
    database, nothing is lost: it goes on where it was.
    """
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", datefmt="%Y-%m-%d %H:%M:%S"
    )
    where = database(url, bucket, org, token_file)
    folder = state_folder(state)
    stop = threading.Event()
    kept = {
        number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        with _only_one(folder), Progress(folder / PROGRESS) as progress, closing(Sender(where)) as sender:
            follower = Follower(
                LedgerReader(folder / FILE), progress, set(sites) or None, accept_ledger=accept_ledger
            )
            forwarder = Forwarder(follower, progress, sender, InfluxQL(where), stop)
            with announce(folder, "forward", database=str(where)):
                logging.getLogger(__name__).info("forwarding %s to %s", folder / FILE, where)
                forwarder.run(once=once)
        click.echo(f"{forwarder.points} points sent, {progress_note(forwarder)}")
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def progress_note(forwarder: Forwarder) -> str:
    """Return in words how it ended."""
    return "everything the ledger held" if forwarder.done else "told to end; it goes on from here next time"
