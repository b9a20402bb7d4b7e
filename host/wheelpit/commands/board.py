"""`wheelpit board`: the pages for the browser."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from wheelpit import places
from wheelpit.children import tied_to_parent
from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterator

ADDRESS: Final = "127.0.0.1"
# The ranges from which systems pick ports for outgoing connections begin above these.
_PORTS: Final = range(18_700, 18_900)
_UP_S: Final = 60.0
_END_S: Final = 8.0
_LOOK_S: Final = 0.2


class BoardError(WheelpitError):
    """The board cannot be started here."""


@click.command()
@click.option(
    "--state",
    type=click.Path(path_type=Path),
    help="State folder with the ledger. Default: WHEELPIT_STATE, a running demo's, or the user's own.",
)
@click.option(
    "--plant",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The plant's description. Default: plant.toml in the state folder.",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=0,
    show_default="a free one",
    help="Port on this machine; give one to keep the address of the pages.",
)
def command(state: Path | None, plant: Path | None, port: int) -> None:
    """Show the plant in a browser on this machine. Reads the ledger, writes nothing. Ctrl-C ends it.

    The pages are served on the loopback address only and hold no login: who may use this machine may read them.
    """
    folder = places.state_folder(state).absolute()
    told = folder / "plant.toml" if plant is None else plant.absolute()
    if plant is not None and not told.is_file():
        msg = f"{plant}: there is no such plant file; `wheelpit plant check` explains what belongs into it"
        raise BoardError(msg)
    already = places.running(folder, "board")
    if already is not None:
        msg = f"a board for {folder} runs already at {already['url']} (process {already['pid']})"
        raise BoardError(msg)
    chosen = free_port() if port == 0 else checked_port(port)
    url = f"http://{ADDRESS}:{chosen}"
    with _told_to_end() as told_to_end, _streamlit(folder, told, chosen) as child:
        if not _answers(child, url, told_to_end):
            return
        with places.announce(folder, "board", url=url, port=chosen):
            click.echo(f"The board is at {url}")
            while child.poll() is None and not told_to_end.wait(_LOOK_S):
                pass
        if child.poll() is not None:
            msg = f"the board ended by itself with code {child.returncode}; what it said stands above"
            raise BoardError(msg)


def free_port() -> int:
    """Return a port of this machine on which nothing listens."""
    for port in _PORTS:
        if _is_free(port):
            return port
    msg = f"no free port from {_PORTS.start} to {_PORTS.stop - 1} on {ADDRESS}: give one with --port"
    raise BoardError(msg)


def checked_port(port: int) -> int:
    """Return the port if the board may have it; raise `BoardError` if it is taken or not allowed."""
    if not _is_free(port):
        msg = (
            f"port {port} on {ADDRESS} is taken or not allowed: give another with --port, or 0 for a free one"
        )
        raise BoardError(msg)
    return port


def arguments(port: int) -> list[str]:
    """Return the command that runs the pages; what ships in .streamlit/config.toml holds besides."""
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(places.bundled("dashboards") / "streamlit_app.py"),
        f"--server.address={ADDRESS}",
        f"--server.port={port}",
        "--server.headless=true",
        "--server.fileWatcherType=none",
        "--browser.gatherUsageStats=false",
    ]


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        # As the server does: a port whose last connections are still fading counts as free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except OSError:
            return False
    return True


@contextmanager
def _told_to_end() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and SIGTERM set."""
    event = threading.Event()
    before = {
        number: signal.signal(number, lambda *_: event.set()) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield event
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _streamlit(state: Path, plant: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run the pages as a child for the length of the block."""
    # A session of its own, so that Ctrl-C in the terminal reaches only this process, which then ends the child.
    child = subprocess.Popen(
        arguments(port),
        env={**os.environ, places.ENVIRONMENT: str(state), "WHEELPIT_PLANT": str(plant)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        start_new_session=True,
        preexec_fn=tied_to_parent(),  # noqa: PLW1509 - the command has no threads when it forks
    )
    try:
        yield child
    finally:
        if child.poll() is None:
            child.terminate()
            try:
                child.wait(_END_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()


def _answers(child: subprocess.Popen[bytes], url: str, told_to_end: threading.Event) -> bool:
    """Wait until the pages can be read; return False when told to end before that."""
    deadline = time.monotonic() + _UP_S
    why = "it did not answer"
    while not told_to_end.wait(_LOOK_S):
        if child.poll() is not None:
            msg = f"the board could not start (code {child.returncode}); what it said stands above"
            raise BoardError(msg)
        try:
            with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2):  # noqa: S310 - our own http address
                return True
        except (urllib.error.URLError, ConnectionError, TimeoutError) as error:
            why = str(error)
        if time.monotonic() > deadline:
            msg = f"the board at {url} did not come up within {_UP_S:.0f} s: {why}"
            raise BoardError(msg)
    return False
