"""The host behind an encrypted listener: nothing stays behind in the decryption, and what cannot work is said at once."""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import time
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from tests.broker.test_certificate_faults import NAME, listening, make

from wheelpit.broker import files
from wheelpit.contract import topics
from wheelpit.ingest.address import Broker, BrokerError, Certificates
from wheelpit.ingest.inbox import Connected, Event, Failed, Inbox, Incoming
from wheelpit.ingest.mqtt import Link, Outgoing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SITE = "mill"
WILL = Outgoing(topics.host_status(SITE), b'{"state":"offline"}', 1, retain=True)
MESSAGES = 300
LONG = 9000  # bytes; an encrypted record holds 16 KiB, so that one holds the end of a message and most of the next


def events_until(inbox: Inbox, there: Callable[[list[Event]], bool], link: Link) -> list[Event]:
    """Take events, acknowledging each message, until something is true of them; at most for half a minute."""
    events: list[Event] = []
    until = time.monotonic() + 30
    while not there(events) and time.monotonic() < until:
        taken = inbox.take(0.5)
        events += taken
        link.send([(one.generation, one.mid) for one in taken if isinstance(one, Incoming) and one.qos], [])
    return events


def records(events: list[Event]) -> list[Incoming]:
    return [one for one in events if isinstance(one, Incoming) and one.qos]


def refused(broker: Broker) -> BrokerError:
    """Return the reason for which the network's thread ends."""
    inbox = Inbox()
    link = Link(broker, SITE, WILL, inbox)
    link.start()
    (event,) = events_until(inbox, bool, link)
    link.close()
    assert isinstance(event, Failed)
    assert isinstance(event.error, BrokerError)
    return event.error


# paho leaves a socket whose handshake failed to the garbage collector.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
def test_certificates_that_do_not_fit_end_the_service_with_a_reason(tmp_path: Path) -> None:
    now = dt.datetime.now(dt.UTC)
    folder, other = make(tmp_path / "broker", NAME, now), make(tmp_path / "other", NAME, now)
    with listening(folder) as port:
        error = refused(Broker(NAME, port, certificates=Certificates(other / "ca.pem")))
    assert "its certificate is refused" in str(error)
    assert "`wheelpit doctor` says more" in str(error)
    (tmp_path / "ca.pem").write_text("nothing")
    error = refused(Broker(NAME, 1, certificates=Certificates(tmp_path / "ca.pem")))
    assert "cannot be used" in str(error)


@pytest.mark.slow
def test_a_burst_of_long_messages_comes_through_whole(
    tmp_path: Path, needs: Callable[[str], str], free_port: Callable[[], int]
) -> None:
    program, port, plain = needs("mosquitto"), free_port(), free_port()
    told = files.Encryption(names=(NAME,), plain_port=plain)
    made = files.make(tmp_path / "broker", SITE, ["wheel"], port=port, bind=NAME, encryption=told)
    if os.geteuid() == 0:
        with made.config.open("a") as file:
            file.write("user root\n")
    assert made.ca is not None
    word = made.host_password.read_text().strip()
    broker = Broker(NAME, port, files.host_user(SITE), word, Certificates(made.ca))
    process = subprocess.Popen([program, "-c", str(made.config)], stderr=subprocess.DEVNULL)
    inbox = Inbox()
    link = Link(broker, SITE, WILL, inbox)
    node = _node(made.node_secrets["wheel"])
    try:
        link.start()
        assert events_until(inbox, lambda found: any(isinstance(one, Connected) for one in found), link)
        node.connect(NAME, plain)
        node.loop_start()
        for number in range(MESSAGES):
            node.publish(f"wheelpit/1/{SITE}/wheel/record", f"{number:04}" + "x" * LONG, qos=1)
        heard = events_until(inbox, lambda found: len(records(found)) >= MESSAGES, link)
    finally:
        node.disconnect()
        node.loop_stop()
        link.close()
        process.terminate()
        process.wait()
    assert [int(one.payload[:4]) for one in records(heard)] == list(range(MESSAGES))
    assert {one.length for one in records(heard)} == {LONG + 4}


def _node(secrets: Path) -> Client:
    held: dict[str, Any] = json.loads(secrets.read_text())
    node = Client(CallbackAPIVersion.VERSION2, "node", protocol=MQTTv5)
    node.username_pw_set(held["broker_user"], held["broker_password"])
    return node
