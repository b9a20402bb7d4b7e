"""`wheelpit doctor` against a set-up that works and against broken ones: each fault is named with its remedy."""

from __future__ import annotations

import json
import socket
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from tests import packed

from wheelpit.cli import main
from wheelpit.demo.broker import start_broker
from wheelpit.ingest.address import Broker
from wheelpit.ingest.probe import probe
from wheelpit.ingest.serve import Options, Service
from wheelpit.places import announce, running
from wheelpit.plant import demo_plant_path
from wheelpit.report import doctor
from wheelpit.report.doctor import examine, sqlite_finding
from wheelpit.store.live import LiveReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from wheelpit.report.finding import Finding


def now_ms() -> int:
    return time.time_ns() // 1_000_000


@contextmanager
def answering(*answers: bytes) -> Iterator[int]:
    """A server on a port of its own that answers what comes with given bytes, then closes."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def talk() -> None:
            end, _ = server.accept()
            with end:
                for answer in answers:
                    end.recv(4096)
                    end.sendall(answer)
                end.recv(4096)

        thread = threading.Thread(target=talk)
        thread.start()
        yield server.getsockname()[1]
        thread.join(10)
        assert not thread.is_alive()


def of(found: list[Finding], subject: str) -> list[Finding]:
    return [finding for finding in found if finding.subject == subject]


def wrong(found: list[Finding]) -> list[str]:
    return [
        f"{finding.subject}: {finding.says} | {finding.remedy}"
        for finding in found
        if finding.level == "wrong"
    ]


@pytest.fixture
def working(state: Path, free_port: Callable[[], int], field: Any, make: Any) -> Iterator[Any]:
    """A broker, the service, and a node that has just been heard."""
    ports = free_port(), free_port()
    broker = start_broker(state, *ports)
    service = Service(Options(demo_plant_path(), state, Broker("127.0.0.1", ports[1])))
    thread = threading.Thread(target=service.run)
    thread.start()
    field.port = ports[1]
    try:
        with field.node(make.record(1, end_ms=now_ms() - 5_000)) as node:
            field.wait(lambda: running(state, "serve") and node.done)
            live = make.live(at_ms=now_ms(), clock="host")
            node.client.publish(node.topic("live"), json.dumps(live), 0)
            status = {"state": "online", "journal": make.journal, "boot": 1}
            node.client.publish(node.topic("status"), json.dumps(status), 1)
            field.wait(lambda: LiveReader(state / "live.db").latest(make.site))
            field.wait(lambda: field.reader.nodes(make.site)[0].online)
            yield node
    finally:
        service.stop()
        thread.join(30)
        broker.stop()


def test_a_set_up_that_works_and_what_befalls_it(
    working: Any, state: Path, make: Any, field: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = CliRunner().invoke(main, ["doctor"])
    assert told.exit_code == 0, told.output
    assert "nothing is wrong" in told.output
    assert f"127.0.0.1:{field.port} serves the host" in told.output
    told = CliRunner().invoke(main, ["doctor", "--json"])
    said = json.loads(told.output)
    assert said["healthy"] is True
    assert {"broker", "service", "clock", "node wheel", "files", "disk", "sqlite"} <= {
        finding["subject"] for finding in said["findings"]
    }

    broker = Broker("127.0.0.1", field.port)
    # Time passes and the node says nothing more.
    later = wrong(examine(state, broker, now_ms() + 3 * 3_600_000))
    assert any("its last live values came 3 hours ago | start the node again" in line for line in later)
    assert any("its newest record ended 3 hours ago" in line for line in later)
    # The host's clock is set back.
    back = wrong(examine(state, broker, 1_600_000_000_000))
    assert any(
        line.startswith("clock: this machine's clock is") and "--accept-clock" in line for line in back
    )
    # A node that nobody has described.
    working.client.publish(working.topic("live").replace("/wheel/", "/millpond/"), json.dumps(make.live()), 0)
    field.wait(lambda: LiveReader(state / "live.db").strangers(make.site))
    assert any(
        line.startswith("node millpond: the plant's description names no such node; 1 messages")
        and "give it a sensor in plant.toml" in line
        for line in wrong(examine(state, broker))
    )
    # A message that nobody can use, a node whose clock is off, and a node that goes.
    working.client.publish(working.topic("record"), b"\xffnonsense", 1)
    live = make.live(up_ms=9_000, at_ms=now_ms() + 60_000, clock="host")
    working.client.publish(working.topic("live"), json.dumps(live), 0)
    field.wait(lambda: field.reader.dead_letters(1))
    field.wait(lambda: LiveReader(state / "live.db").latest(make.site)[0].live.up_ms == 9_000)
    lines = wrong(examine(state, broker))
    assert any("dead letters: " in line and "nonsense" in line for line in lines)
    assert any("its clock and this machine's differ by" in line for line in lines)
    status = {"state": "offline", "journal": make.journal, "boot": 1}
    working.client.publish(working.topic("status"), json.dumps(status), 1)
    field.wait(lambda: not field.reader.nodes(make.site)[0].online)
    assert any(
        "node wheel: is not connected | check its supply" in line for line in wrong(examine(state, broker))
    )
    # A store that two boards claim, numbers that came twice, a full disk, a log that cannot be folded back.
    twice = make.record(1, up_ms=11_000)
    body = packed.message(make.journal, 0, [twice])
    working.client.publish(working.topic("record"), json.dumps(body), 1)
    field.wait(lambda: field.reader.nodes(make.site)[0].conflicts)
    monkeypatch.setattr(doctor, "_LEAST_FREE", 1 << 62)
    monkeypatch.setattr(doctor, "_LARGEST_LOG", -1)
    lines = wrong(examine(state, broker))
    assert any(
        "1 record numbers of store" in line and "empty the node's store folder" in line for line in lines
    )
    assert any(line.startswith("disk: ") and "make room" in line for line in lines)
    assert any(line.startswith("files: ") and "some program keeps the ledger open" in line for line in lines)
    (tallies,) = of(examine(state, broker), "tallies")
    assert "conflicts 1" in tallies.says
    assert tallies.level == "note"


def test_a_store_that_two_boards_claim_is_named(bench: Any, make: Any) -> None:
    for chip in ("aa11", "bb22"):
        bench.handle(bench.event("birth", make.birth(chip=chip)))
    state = bench.ledger.path.parent
    lines = wrong(examine(state, Broker("127.0.0.1", 1), bench.now_ms))
    assert any("boards aa11 and bb22 both say that they are store" in line for line in lines)
    assert any("empty the store folder of the board" in line for line in lines)


def test_nothing_is_there(state: Path, free_port: Callable[[], int]) -> None:
    port = free_port()
    told = CliRunner().invoke(main, ["doctor", "--broker-port", str(port)])
    assert told.exit_code == 1
    assert "no service works on" in told.output
    assert "start `wheelpit serve --plant plant.toml`" in told.output
    assert f"broker: 127.0.0.1:{port}: the machine answers, but no broker listens there" in told.output
    assert "there is no ledger yet" in told.output
    assert told.output.splitlines()[-1] == "3 to mend"


def test_a_ledger_that_is_no_database_is_named(state: Path, free_port: Callable[[], int]) -> None:
    (state / "ledger.db").write_bytes(b"\x99" * 8192)
    with announce(state, "serve", site="sallow-ghyll", broker="x"):
        lines = wrong(examine(state, Broker("127.0.0.1", free_port())))
    assert any("cannot be read" in line and "wheelpit restore COPY" in line for line in lines)


# CONNACK and SUBACK of MQTT 5 (OASIS standard, 3.2 and 3.9): reason 0x87 is "Not authorized", 0x86 "Bad User Name or
# Password"; the length of the properties follows.
ACCEPTED = bytes.fromhex("2003000000")


@pytest.mark.parametrize(
    ("answers", "outcome", "detail"),
    [
        ([bytes.fromhex("2003008700")], "not authorised", "Not authorized"),
        ([bytes.fromhex("2003008600")], "not authorised", "Bad user name or password"),
        ([ACCEPTED, bytes.fromhex("9008000100") + b"\x87" * 5], "no topics", "sallow-ghyll/+/status"),
        ([ACCEPTED, bytes.fromhex("9008000100") + b"\x00" * 5], "good", ""),
        ([b"HTTP/1.1 400 Bad Request\r\n\r\n"], "not MQTT 5", ""),
    ],
)
def test_the_ways_in_which_a_broker_may_refuse(answers: list[bytes], outcome: str, detail: str) -> None:
    with answering(*answers) as port:
        found = probe(Broker("127.0.0.1", port), "sallow-ghyll", 1.0)
    assert found.outcome == outcome
    assert detail in found.detail


def test_a_name_that_is_unknown_and_a_port_that_says_nothing() -> None:
    # RFC 6761, 6.4: no name under `.invalid` exists.
    assert probe(Broker("broker.invalid", 1883), None, 1.0).outcome == "no address"
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        assert probe(Broker("127.0.0.1", deaf.getsockname()[1]), None, 0.3).outcome == "not MQTT 5"


@pytest.mark.parametrize(
    ("version", "level"),
    [
        ((3, 6, 23), "good"),
        ((3, 7, 0), "note"),
        ((3, 40, 1), "note"),
        ((3, 44, 5), "note"),
        ((3, 44, 6), "good"),
        ((3, 45, 3), "note"),
        ((3, 50, 6), "note"),
        ((3, 50, 7), "good"),
        ((3, 51, 2), "note"),
        ((3, 51, 3), "good"),
        ((3, 53, 0), "good"),
    ],
)
def test_sqlite_versions_with_the_wal_reset_bug(version: tuple[int, int, int], level: str) -> None:
    """Source: https://sqlite.org/wal.html#walresetbug."""
    assert sqlite_finding(version).level == level
