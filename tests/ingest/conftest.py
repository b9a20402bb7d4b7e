"""A writer without a network, and a site with a broker, the service and nodes."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
from tests import packed
from tests.ingest.mqtt_node import JOURNAL, NOON_MS, SITE, SimNode, birth_json, live_json, record_json

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.inbox import Connected, Event, Incoming
from wheelpit.ingest.writer import Writer
from wheelpit.plant import demo_plant_path
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.live import LiveReader, LiveStore
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from wheelpit.ingest.batch import Watching
    from wheelpit.ingest.mqtt import Outgoing


class Outbox:
    """Stands for the connection: keeps what would be sent."""

    def __init__(self) -> None:
        self.acks: list[tuple[int, int]] = []
        self.messages: list[Outgoing] = []
        self.dropped: list[str] = []

    def send(self, acks: Iterable[tuple[int, int]], messages: Iterable[Outgoing]) -> None:
        self.acks += acks
        self.messages += messages

    def drop(self, why: str) -> None:
        self.dropped.append(why)

    def said(self, kind: str) -> list[dict[str, Any]]:
        return [json.loads(m.payload) for m in self.messages if m.topic.endswith(f"/{kind}")]


class Bench:
    """A writer on a real ledger, led by hand."""

    def __init__(self, folder: Path, watch: Watching | None = None) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.now_ms = NOON_MS
        self.outbox = Outbox()
        self.ledger = Ledger(folder / FILE, self.now_ms)
        self.mark = self.ledger.begin_start(self.now_ms)
        with self.ledger.transaction() as db:
            self.keeper = Bookkeeper(db, SITE, "Europe/London")
        self.live_store = LiveStore(folder / "live.db")
        self.live = LiveReader(folder / "live.db")
        self.reader = LedgerReader(folder / FILE)
        self.mids = 0
        self.writer = Writer(
            ledger=self.ledger,
            keeper=self.keeper,
            live=self.live_store,
            watch=watch,
            outlet=self.outbox,
            site=SITE,
            mark=self.mark,
            clock_ms=lambda: self.now_ms,
        )

    def event(
        self, kind: str, body: Any, *, node: str = "wheel", qos: int = 1, retained: bool = False
    ) -> Incoming:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        self.mids += 1
        topic = f"wheelpit/1/{SITE}/{node}/{kind}"
        return Incoming(topic, payload[: 16 * 1024], len(payload), qos, retained, self.mids, 1)

    def records(self, *records: dict[str, Any], after: int = 0, **how: Any) -> Incoming:
        return self.event("record", packed.message(JOURNAL, after, list(records)), **how)

    def handle(self, *events: Event) -> bool:
        return self.writer.handle(events)

    def close(self) -> None:
        self.ledger.close()
        self.live_store.close()


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def make(watch: Watching | None = None) -> Bench:
        made.append(Bench(tmp_path / str(len(made)), watch))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    return make_bench()


@pytest.fixture
def connected() -> Connected:
    return Connected(1)


@pytest.fixture
def make() -> Any:
    """Return what builds messages: `make.record(n)`, `make.birth()`, `make.live()`."""

    class Make:
        record = staticmethod(record_json)
        birth = staticmethod(birth_json)
        live = staticmethod(live_json)
        journal = JOURNAL
        site = SITE
        noon_ms = NOON_MS

    return Make


class Process:
    """A program that is ended whatever happens."""

    def __init__(self, command: list[str], log: Path, environment: dict[str, str] | None = None) -> None:
        self.log = log
        with log.open("ab") as out:
            self.child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env={**os.environ, **(environment or {})},
            )

    def text(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def kill(self) -> None:
        self.child.kill()
        self.child.wait()

    def terminate(self) -> int:
        if self.child.poll() is None:
            self.child.terminate()
        return self.child.wait(30)

    def pause(self) -> None:
        self.child.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        self.child.send_signal(signal.SIGCONT)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Process]]:
    """Return a function that starts a program; all of them are ended after the test."""
    started: list[Process] = []

    def begin(*command: str, name: str = "program", **environment: str) -> Process:
        started.append(Process(list(command), tmp_path / f"{name}.log", environment))
        return started[-1]

    yield begin
    for process in started:
        if process.child.poll() is None:
            process.child.send_signal(signal.SIGCONT)
            process.kill()


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Field:
    """A site: a broker on a port of its own, the service, and nodes."""

    def __init__(self, begin: Callable[..., Process], port: int, folder: Path, state: Path) -> None:
        self.begin = begin
        self.port = port
        self.folder = folder
        self.state = state
        self.reader = LedgerReader(state / FILE)

    def mosquitto(self, program: str, *lines: str) -> Process:
        """Start a real broker; it is ready when this returns."""
        config = self.folder / "mosquitto.conf"
        told = [
            f"listener {self.port} 127.0.0.1",
            "persistence false",
            "set_tcp_nodelay true",
            "max_queued_messages 10000",
            *(lines or ["allow_anonymous true"]),
        ]
        config.write_text("\n".join(told) + "\n")
        broker = self.begin(program, "-c", str(config), name="mosquitto")
        self.wait(lambda: answers(self.port), broker)
        return broker

    def serve(self, *more: str, name: str = "serve") -> Process:
        """Start `wheelpit serve` for the demo's plant."""
        return self.begin(
            sys.executable, "-m", "wheelpit", "serve", "--plant", str(demo_plant_path()),
            "--state", str(self.state), "--broker-port", str(self.port), *more, name=name,
        )  # fmt: skip

    def node(self, *records: dict[str, Any]) -> SimNode:
        return SimNode(self.port, list(records))

    @staticmethod
    def wait(what: Callable[[], Any], process: Process | None = None, patience_s: float = 60.0) -> Any:
        """Return the first true value of `what`; fail when none comes."""
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            found = what()
            if found:
                return found
            time.sleep(0.02)
        pytest.fail(f"waited {patience_s:.0f} s in vain\n{process.text() if process else ''}")

    def booked(self) -> list[tuple[int, int]]:
        """Return (number in boot 1, energy) of every row in the ledger."""
        rows = self.reader.records(SITE, 0, 2_000_000_000_000)
        return sorted((row.seq - SEQ_PER_BOOT, row.totals["charge_mwh"]) for row in rows)


@pytest.fixture
def field(start: Callable[..., Process], free_port: Callable[[], int], tmp_path: Path, state: Path) -> Field:
    return Field(start, free_port(), tmp_path, state)
