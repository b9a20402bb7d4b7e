"""Statements of the MQTT 5 standard on which the delivery of records rests."""

from __future__ import annotations

import json
import socket
import subprocess
import time
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from tests import packed

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.address import Broker
from wheelpit.ingest.decode import decode
from wheelpit.ingest.inbox import RECEIVE_MAXIMUM, Connected, Inbox, Incoming
from wheelpit.ingest.mqtt import Link, Outgoing
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SITE = "sallow-ghyll"


@pytest.mark.source(
    "OASIS MQTT 5.0, 4.3.2 QoS 1, at least once delivery: the receiver may get a message more than once, so the "
    "application must be able to take it again"
)
def test_a_message_that_comes_again_changes_nothing(tmp_path: Path) -> None:
    records = [
        {
            "seq": SEQ_PER_BOOT + n, "first": SEQ_PER_BOOT + n, "up_ms": n * 10_000, "dur_ms": 10_000,
            "span_ms": 10_000, "end_ms": 1_780_311_600_000 + n * 10_000, "clock": "host", "state": "turning",
            "mean": {}, "min": {}, "max": {}, "total": {"charge_mwh": n * 111},
        }
        for n in (1, 2, 3)
    ]  # fmt: skip
    payload = json.dumps(packed.message("0" * 16, 0, records)).encode()
    _, message = decode(f"wheelpit/1/{SITE}/wheel/record", payload, len(payload))
    assert isinstance(message, Sent)
    with Ledger(tmp_path / "ledger.db", 0) as ledger:
        for again in range(3):
            with ledger.transaction() as db:
                keeper = Bookkeeper(db, SITE, "Europe/London")
                assert keeper.records("wheel", message, "t", 1_780_311_700_000).upto == SEQ_PER_BOOT + 3, (
                    again
                )
                keeper.flush()
        rows = LedgerReader(tmp_path / "ledger.db").records(SITE, 0, 2_000_000_000_000)
        assert [row.totals["charge_mwh"] for row in rows] == [111, 111, 111]


class Site:
    """A real broker, a link that acknowledges nothing, and somebody who publishes."""

    def __init__(self, port: int) -> None:
        self.inbox = Inbox()
        will = Outgoing(f"wheelpit/1/{SITE}/host/status", b"{}", 1, retain=True)
        self.link = Link(Broker("127.0.0.1", port), SITE, will, self.inbox)
        self.link.start()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="test", protocol=MQTTv5)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.taken: list[Any] = []

    def publish(self, count: int) -> None:
        for number in range(count):
            info = self.client.publish(f"wheelpit/1/{SITE}/wheel/record", str(number), 1)
            info.wait_for_publish(20)

    def messages(self, quiet_s: float = 1.0) -> list[Incoming]:
        """Return what came so far, once nothing more has come for a while."""
        while found := self.inbox.take(quiet_s):
            self.taken += found
        return [
            event for event in self.taken if isinstance(event, Incoming) and event.topic.endswith("/record")
        ]

    def connections(self) -> int:
        return sum(isinstance(event, Connected) for event in self.taken)

    def close(self) -> None:
        self.link.close()
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def site(needs: Callable[[str], str], free_port: Callable[[], int], tmp_path: Path) -> Iterator[Site]:
    port = free_port()
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 0\n")
    with (tmp_path / "mosquitto.log").open("wb") as log:
        broker = subprocess.Popen([needs("mosquitto"), "-c", str(config)], stdout=log, stderr=log)
    until = time.monotonic() + 20
    while time.monotonic() < until:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.02)
    made = Site(port)
    until = time.monotonic() + 20
    while not made.connections() and time.monotonic() < until:
        made.messages(0.1)
    yield made
    made.close()
    broker.terminate()
    broker.wait(20)


@pytest.mark.slow
@pytest.mark.source(
    "OASIS MQTT 5.0, 3.1.2.11.3 Receive Maximum and 4.9 Flow Control: the Server must not send more than Receive "
    "Maximum QoS 1 and 2 PUBLISH packets for which it has not received PUBACK, PUBCOMP or PUBREC"
)
def test_the_broker_sends_no_more_than_the_receive_maximum_before_it_is_acknowledged(site: Site) -> None:
    site.publish(RECEIVE_MAXIMUM + 60)
    held = site.messages()
    assert len(held) == RECEIVE_MAXIMUM
    site.link.send([(message.generation, message.mid) for message in held[:60]], ())
    assert len(site.messages()) == RECEIVE_MAXIMUM + 60


@pytest.mark.slow
@pytest.mark.source(
    "OASIS MQTT 5.0, [MQTT-4.4.0-1]: Clients and Servers must not resend messages at any other time than at a "
    "reconnection with a session; and 3.1.2.4: Clean Start 1 discards the session"
)
def test_what_is_not_acknowledged_never_comes_again_so_the_nodes_must_keep_it(site: Site) -> None:
    """This is why a failed commit drops the connection, and why nodes hold their records until the receipt."""
    site.publish(5)
    assert len(site.messages()) == 5
    assert len(site.messages(2.0)) == 5, "nothing is resent on a living connection"
    site.link.drop("a commit failed")
    until = time.monotonic() + 20
    while site.connections() < 2 and time.monotonic() < until:
        site.messages(0.2)
    assert site.connections() == 2
    assert len(site.messages()) == 5, "a clean session has forgotten them"
