"""`wheelpit board`: the pages for the browser."""

from __future__ import annotations

import errno
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from contextlib import contextmanager
from ipaddress import ip_address
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
@click.option(
    "--listen",
    "address",
    default=ADDRESS,
    show_default=True,
    metavar="ADDRESS",
    help="Address of this machine at which the pages are read; one of the network's lets a phone in.",
)
@click.option(
    "--bench",
    is_flag=True,
    help="Let the page Bench take readings and write plant.toml, from whoever has the code that is printed.",
)
def command(state: Path | None, plant: Path | None, port: int, address: str, bench: bool) -> None:
    """Show the plant in a browser. Reads the ledger and never writes it. Ctrl-C ends it.

    The pages are served on the loopback address unless told otherwise, and hold no login: who may use this machine may
    read them. At an address of the network everybody there may, and nothing that is sent is secret: only where you trust it.

    With --bench the page of the bench tests takes readings and, at a press, writes plant.toml; only from a browser that has
    told the code, which is another one at each start. Nothing else is written, and nothing can move the machine.
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
    chosen = free_port(address) if port == 0 else checked_port(port, address)
    url = f"http://{address}:{chosen}"
    code = secrets.token_hex(4) if bench else ""
    with _told_to_end() as told_to_end, _streamlit(folder, told, arguments(chosen, address), code) as child:
        if not _answers(child, url, told_to_end):
            return
        with places.announce(folder, "board", url=url, port=chosen):
            click.echo(f"The board is at {url}")
            if code:
                click.echo(f"Readings of the bench tests are taken at {url}/bench?code={code}")
            while child.poll() is None and not told_to_end.wait(_LOOK_S):
                pass
        if child.poll() is not None:
            msg = f"the board ended by itself with code {child.returncode}; what it said stands above"
            raise BoardError(msg)


def free_port(address: str = ADDRESS) -> int:
    """Return a port on which nothing listens; raise `BoardError` if there is none, or no such address."""
    for port in _PORTS:
        if _is_free(port, address):
            return port
    msg = f"no free port from {_PORTS.start} to {_PORTS.stop - 1} on {address}: give one with --port"
    raise BoardError(msg)


def checked_port(port: int, address: str = ADDRESS) -> int:
    """Return the port if the board may have it; raise `BoardError` if it is taken or not allowed."""
    if not _is_free(port, address):
        msg = (
            f"port {port} on {address} is taken or not allowed: give another with --port, or 0 for a free one"
        )
        raise BoardError(msg)
    return port


def arguments(port: int, address: str = ADDRESS) -> list[str]:
    """Return the command that runs the pages; what ships in .streamlit/config.toml holds besides."""
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(places.bundled("dashboards") / "streamlit_app.py"),
        f"--server.address={address}",
        # Pages that a browser has under another name or address are not answered.
        f"--browser.serverAddress={address}",
        f"--server.port={port}",
        "--server.headless=true",
        "--server.fileWatcherType=none",
        "--browser.gatherUsageStats=false",
    ]


def _is_free(port: int, address: str) -> bool:
    with socket.socket() as probe:
        # As the server does: a port whose last connections are still fading counts as free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
                msg = f"--listen {address}: this machine has no such address ({error.strerror})"
                raise BoardError(msg) from error
            return False
        bound = ip_address(probe.getsockname()[0])
    # Judged by what it means, not by how it is written: "0" and "00.0.0.0" are all addresses as well.
    if bound.is_unspecified or bound.is_multicast or bound.is_reserved:
        msg = f"--listen {address}: give the one address of this machine at which the pages are to be read"
        raise BoardError(msg)
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
def _streamlit(state: Path, plant: Path, command: list[str], code: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run the pages as a child for the length of the block."""
    # A session of its own, so that Ctrl-C in the terminal reaches only this process, which then ends the child.
    child = subprocess.Popen(
        command,
        # Always told, also when it is empty: a code that lay about in the environment would open the page.
        env={
            **os.environ,
            places.ENVIRONMENT: str(state),
            "WHEELPIT_PLANT": str(plant),
            "WHEELPIT_BENCH_CODE": code,
        },
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
