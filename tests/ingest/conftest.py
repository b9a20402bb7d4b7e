"""A writer without a network, brokers with one, and a node that speaks the protocol over MQTT."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any, Self

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.inbox import Connected, Event, Incoming
from wheelpit.ingest.writer import Watching, Writer
from wheelpit.plant import demo_plant_path
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.live import LiveReader, LiveStore
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from paho.mqtt.client import MQTTMessage

    from wheelpit.ingest.mqtt import Outgoing

NOON_MS = 1_780_311_600_000  # 2026-06-01 11:00 UTC
JOURNAL = "0123456789abcdef"
SITE = "sallow-ghyll"


def record_json(n: int, boot: int = 1, **changed: Any) -> dict[str, Any]:
    """Record `n` of a boot: 10 s, its energy n + 1000 mWh, so that each record has an energy of its own."""
    up_ms = n * 10_000
    told: dict[str, Any] = {
        "seq": boot * SEQ_PER_BOOT + n,
        "first": boot * SEQ_PER_BOOT + n,
        "up_ms": up_ms,
        "dur_ms": 10_000,
        "span_ms": 10_000,
        "end_ms": NOON_MS + up_ms,
        "clock": "host",
        "state": "turning",
        "mean": {"wheel_rpm": 10.4, "rectified_v": 20.8, "battery_v": 13.5, "charge_a": 5.4},
        "min": {"wheel_rpm": 10.1, "rectified_v": 20.1, "battery_v": 13.4, "charge_a": 5.0},
        "max": {"wheel_rpm": 10.9, "rectified_v": 21.3, "battery_v": 13.6, "charge_a": 5.9},
        "total": {
            "wheel_mrev": n * 1733,
            "charge_mwh": 1000 * n + n * (n + 1) // 2,
            "charge_valid_ms": up_ms,
        },
    }
    return told | changed


def birth_json(**changed: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "journal": JOURNAL,
        "boot": 1,
        "chip": "aa11",
        "oldest": 0,
        "newest": 0,
        "firmware": "1",
        "interpreter": "1",
        "board": "test",
        "reset": "power",
        "record_s": 10,
        "channels": {},
        "totals": ["charge_mwh"],
        "capacity": 1000,
        "held": 0,
    }
    return told | changed


def live_json(up_ms: int = 5_000, **changed: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "journal": JOURNAL,
        "boot": 1,
        "up_ms": up_ms,
        "at_ms": None,
        "clock": "none",
        "state": "turning",
        "edge_age_ms": 200,
        "edge_gap_ms": 1500,
        "values": {"battery_v": 13.5},
    }
    return told | changed


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
        return self.event("record", {"journal": JOURNAL, "after": after, "records": list(records)}, **how)

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


class SimNode:
    """A node over MQTT: holds its records, sends them in order through a window, goes back when told to."""

    WINDOW = 4

    def __init__(self, port: int, records: list[dict[str, Any]], per_message: int = 3) -> None:
        self.records = records
        self.per_message = per_message
        self.lock = threading.RLock()
        self.port = port
        self.mark: tuple[str, int] | None = None
        self.upto = 0
        self.sent = 0
        self.still = 0
        self.host_online = False
        self.receipts = 0
        self.moved_s = time.monotonic()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="test-node", protocol=MQTTv5)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._on_connect
        self.client.on_message = self._on_message
        self.client.on_socket_open = self._no_delay

    @staticmethod
    def _no_delay(_client: Client, _data: Any, sock: Any) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def topic(self, kind: str, node: str = "wheel") -> str:
        return f"wheelpit/1/{SITE}/{node}/{kind}"

    def __enter__(self) -> Self:
        self.client.connect_async("127.0.0.1", self.port)
        self.client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: Client, *_: Any) -> None:
        with self.lock:
            self.sent = self.upto
            client.subscribe([(self.topic("receipt"), 1), (self.topic("status", "host"), 1)])
            self.birth()

    def birth(self) -> None:
        told = birth_json(oldest=self.records[0]["seq"], newest=self.records[-1]["seq"])
        self.client.publish(self.topic("birth"), json.dumps(told), 1, retain=True)

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        told = json.loads(message.payload)
        with self.lock:
            if message.topic.endswith("/status"):
                self.host_online = told["state"] == "online"
            elif message.topic.endswith("/receipt"):
                self._receipt(told)
            self.fill()

    def _receipt(self, told: dict[str, Any]) -> None:
        self.receipts += 1
        mark = (told["ledger"], told["start"])
        upto = told["upto"] if told["journal"] == JOURNAL else 0
        if mark != self.mark:
            self.mark, self.upto = mark, 0
            self.birth()
        before = self.upto
        self.upto = max(self.upto, min(upto, self.records[-1]["seq"]))
        if self.upto > before:
            self.still, self.moved_s = 0, time.monotonic()
            self.sent = max(self.sent, self.upto)
            return
        self.still += 1
        if self.still == 2 and self.sent > self.upto:
            self.sent = self.upto

    def fill(self) -> None:
        """Send as much as the window allows."""
        first = self.records[0]["seq"]
        while self.host_online:
            at = max(0, self.sent - first + 1)
            open_records = self.sent - max(self.upto, first - 1) if self.sent else 0
            batch = self.records[at : at + self.per_message]
            if not batch or open_records >= self.WINDOW * self.per_message:
                return
            after = self.records[at - 1]["seq"] if at else 0
            body = {"journal": JOURNAL, "after": after, "records": batch}
            self.client.publish(self.topic("record"), json.dumps(body), 1)
            self.sent = batch[-1]["seq"]

    def tend(self) -> None:
        """The rewind timer: begin again from the receipt when nothing moved for two seconds."""
        with self.lock:
            if time.monotonic() - self.moved_s > 2 and self.upto < self.records[-1]["seq"]:
                self.sent, self.still, self.moved_s = self.upto, 0, time.monotonic()
                self.fill()

    @property
    def done(self) -> bool:
        self.tend()
        return bool(self.upto >= self.records[-1]["seq"])
