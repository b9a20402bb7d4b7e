"""A site for benches and crash tests: a real mosquitto, the service in a process of its own, a ledger to look into."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

SITE: Final = load_plant(demo_plant_path()).site.id
_PATIENCE_S: Final = 60.0
_BROKER: Final = (
    "persistence false",
    "allow_anonymous true",
    "set_tcp_nodelay true",
    "max_queued_messages 20000",
    "log_type error",
)


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def now_ms() -> int:
    """Return the time of day [Unix ms]."""
    return time.time_ns() // 1_000_000


def free_port() -> int:
    """Return a port of this machine that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait(what: Callable[[], Any], told: str, patience_s: float = _PATIENCE_S) -> Any:
    """Return the first true value of `what`."""
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        found = what()
        if found:
            return found
        time.sleep(0.01)
    msg = f"waited {patience_s:.0f} s in vain for {told}"
    raise TimeoutError(msg)


class Grounds:
    """Broker and service of one site in a folder; everything that was started is ended at the end of the block.

    Args:
        folder: where its files go.
        nodes: further nodes that the ledger knows already, so that they are let in.

    """

    def __init__(self, folder: Path, nodes: Sequence[str] = ()) -> None:
        self.folder = folder
        self.state = folder / "state"
        self.port = free_port()
        self.starts = 0
        self.reader = LedgerReader(self.state / FILE)
        self._processes: list[subprocess.Popen[bytes]] = []
        self.broker: subprocess.Popen[bytes] | None = None
        self.service: subprocess.Popen[bytes] | None = None
        plant = load_plant(demo_plant_path())
        if nodes:
            with Ledger(self.state / FILE, now_ms()) as ledger, ledger.transaction() as db:
                keeper = Bookkeeper(db, SITE, plant.site.time_zone)
                for node in nodes:
                    keeper.status(node, now_ms(), online=False)
                keeper.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.wait()

    def start(self, command: Sequence[str], log: str, **environment: str) -> subprocess.Popen[bytes]:
        """Start a program; what it says goes into a file of the folder."""
        with (self.folder / log).open("ab") as out:
            process = subprocess.Popen(
                list(command),
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env={**os.environ, **environment},
            )
        self._processes.append(process)
        return process

    def start_broker(self) -> subprocess.Popen[bytes]:
        """Start mosquitto; it listens when this returns."""
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join((f"listener {self.port} 127.0.0.1", *_BROKER)) + "\n")
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self.broker = self.start([program, "-c", str(config)], "mosquitto.log")
        wait(self._answers, "mosquitto")
        return self.broker

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def service_command(self) -> list[str]:
        """Return how the service is started, without the program."""
        return [
            "serve", "--plant", str(demo_plant_path()), "--state", str(self.state),
            "--broker-port", str(self.port), "--keep-days", "0",
        ]  # fmt: skip

    def start_service(self, *before: str, **environment: str) -> subprocess.Popen[bytes]:
        """Start `wheelpit serve`, or what `before` names in its place."""
        self.starts += 1
        program = list(before) or [sys.executable, "-m", "wheelpit"]
        self.service = self.start([*program, *self.service_command()], "serve.log", **environment)
        return self.service

    def end_service(self) -> int:
        """End the service as a service manager does; return its exit code."""
        if self.service is None:
            raise RuntimeError("there is no service to end")
        return end(self.service)

    def wait_for_service(self) -> None:
        """Return once the service listens."""
        wait(lambda: "connected to the broker" in self.told(), "the service")

    def told(self, log: str = "serve.log") -> str:
        """Return what a program said."""
        return (self.folder / log).read_text(encoding="utf-8", errors="replace")


def end(process: subprocess.Popen[bytes], how: signal.Signals = signal.SIGTERM) -> int:
    """End a process and return its exit code."""
    if process.poll() is None:
        process.send_signal(how)
    return process.wait(60)


def processor_s(pid: int) -> float:
    """Return the processor time that a process has used [s]: unlike the clock, other programs hardly change it."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mib(pid: int) -> float:
    """Return how much memory a process has in use [MiB]."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    msg = f"process {pid} says nothing of its memory"
    raise ValueError(msg)
