"""The connection to the broker, against a peer that says exactly what a test wants it to say."""

from __future__ import annotations

import json
import socket
import struct
import time
from typing import TYPE_CHECKING, Any

import pytest
from tests.ingest.scripted_peer import ACCEPTED, SITE, WILL, Line, Peer, publish

from wheelpit.contract import topics
from wheelpit.errors import WheelpitError
from wheelpit.ingest import mqtt, sockets
from wheelpit.ingest.address import Broker
from wheelpit.ingest.inbox import BATCH, Connected, Failed, Inbox, Incoming
from wheelpit.ingest.mqtt import BrokerRefusedError, Link, Outgoing, TakenOverError

if TYPE_CHECKING:
    from collections.abc import Callable


def good(peer: Peer, connection: socket.socket) -> None:
    peer.accept(connection)
    peer.linger(connection)


def test_it_connects_clean_with_a_receive_maximum_and_a_will(monkeypatch: pytest.MonkeyPatch) -> None:
    delays: list[int] = []

    def no_delay(sock: socket.socket) -> None:
        sockets.no_delay(sock)
        delays.append(sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))

    monkeypatch.setattr(mqtt, "no_delay", no_delay)
    with Line(good) as line:
        line.next(Connected)
        first, connect = line.peer.packets[0]
    assert first == 0x10
    # MQTT 5.0, 3.1.2: protocol name, version 5, flags, keep alive, then the properties.
    assert connect[:7] == b"\x00\x04MQTT\x05"
    flags = connect[7]
    assert flags & 0x02, "clean start"
    assert flags & 0x04, "a will ..."
    assert flags >> 3 & 3 == 1, "... of QoS 1 ..."
    assert flags & 0x20, "... retained"
    properties = connect[11 : 11 + connect[10]]
    assert b"\x11" + struct.pack("!I", 0) in properties, "session expiry interval 0"
    at = properties.index(0x21)
    assert struct.unpack("!H", properties[at + 1 : at + 3])[0] >= 2 * BATCH, "receive maximum"
    assert b"wheelpit-host-sallow-ghyll" in connect
    assert WILL.payload in connect
    assert delays == [1]


def test_it_listens_to_every_kind_with_the_right_qos() -> None:
    with Line(good) as line:
        line.next(Connected)
        _, body = line.peer.packets[1]
    wanted = {}
    rest = body[3:]
    while rest:
        length = struct.unpack("!H", rest[:2])[0]
        wanted[rest[2 : 2 + length].decode().rsplit("/", 1)[1]] = rest[2 + length] & 3
        rest = rest[3 + length :]
    assert wanted == {"status": 1, "birth": 1, "live": 0, "record": 1, "time-ask": 0, "dropped": 0}


def test_a_broker_that_closes_the_connection_of_whoever_asks_what_it_dropped_is_asked_no_more(
    caplog: pytest.LogCaptureFixture,
) -> None:
    def touchy(peer: Peer, connection: socket.socket) -> None:
        peer.packet(connection)
        connection.sendall(ACCEPTED)
        _, body = peer.packet(connection)
        assert topics.BROKER_DROPPED.encode() in body

    with Line(touchy, good) as line:
        line.next(Connected)
        assert topics.BROKER_DROPPED.encode() not in line.peer.packets[-1][1]
        assert line.peer.connections == 2
    assert caplog.messages == []


def test_a_broker_that_refuses_to_say_what_it_dropped_is_good_enough() -> None:
    def secretive(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection, b"\x01\x01\x00\x01\x00\x87")
        peer.linger(connection)

    with Line(secretive) as line:
        line.next(Connected)


def test_a_message_is_acknowledged_when_the_writer_says_so_and_only_on_its_connection() -> None:
    def first(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)
        connection.sendall(publish("wheelpit/1/s/n/record", b"{}", 7))
        time.sleep(0.3)  # nothing is acknowledged by itself
        assert all(kind >> 4 != 4 for kind, _ in peer.packets)

    with Line(first, good) as line:
        message = line.next(Incoming)
        assert (message.topic, message.payload, message.qos, message.mid) == (
            "wheelpit/1/s/n/record",
            b"{}",
            1,
            7,
        )
        line.until(lambda: line.peer.connections == 2)
        line.next(Connected)
        line.link.send([(message.generation, 7), (message.generation + 1, 8)], [])
        line.until(lambda: any(kind >> 4 == 4 for kind, _ in line.peer.packets))
        acknowledged = [
            struct.unpack("!H", body[:2])[0] for kind, body in line.peer.packets if kind >> 4 == 4
        ]
    assert acknowledged == [8]


def test_receipts_go_out_in_order_through_a_window_of_their_own() -> None:
    """A broker allows 20 unacknowledged messages unless it says otherwise; this one never acknowledges."""
    with Line(good) as line:
        line.next(Connected)
        line.link.send((), [Outgoing("a/b", str(n).encode(), 1, retain=True) for n in range(50)])
        line.until(lambda: sum(kind >> 4 == 3 for kind, _ in line.peer.packets) == 20)
        # The time is no use to a node when it comes late, and an acknowledgement keeps messages coming.
        line.link.send([(1, 9)], [Outgoing("a/time", b"now", 0, retain=False)])
        line.until(lambda: sum(kind >> 4 in (3, 4) for kind, _ in line.peer.packets) == 22)
        sent = [body for kind, body in line.peer.packets if kind >> 4 == 3]
        acknowledged = [body[:2] for kind, body in line.peer.packets if kind >> 4 == 4]
    assert [int(body[8:]) for body in sent[:20]] == list(range(20))
    assert sent[20].endswith(b"now")
    assert acknowledged == [struct.pack("!H", 9)]


def test_a_dropped_connection_is_left_with_the_will_and_made_again(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(mqtt, "_AFTER_DROP_S", 0.1)
    with Line(good) as line:
        line.next(Connected)
        line.link.drop("the disk is full")
        assert line.next(Connected).generation == 2
        # MQTT 5.0, 3.14.2.1: 0x04 is "Disconnect with Will Message".
        assert (0xE0, b"\x04") in [(kind, body[:1]) for kind, body in line.peer.packets]
    assert "leaving the broker: the disk is full" in caplog.text


def test_the_last_words_are_sent_before_it_ends() -> None:
    def polite(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)
        while True:
            kind, body = peer.packet(connection)
            if kind >> 4 == 3 and kind & 6:
                length = struct.unpack("!H", body[:2])[0]
                connection.sendall(b"\x40\x02" + body[2 + length : 4 + length])

    with Line(polite) as line:
        line.next(Connected)
        line.link.send((), [WILL])
    kinds = [kind >> 4 for kind, _ in line.peer.packets]
    assert kinds[-2:] == [3, 14]
    assert not line.link.is_alive()


def refuse(code: int) -> Callable[[Peer, socket.socket], None]:
    def script(peer: Peer, connection: socket.socket) -> None:
        peer.packet(connection)
        connection.sendall(bytes([0x20, 3, 0, code, 0]))
        peer.linger(connection)

    return script


@pytest.mark.parametrize(
    ("code", "words"),
    [(0x86, "Bad user name or password"), (0x87, "Not authorized"), (0x8A, "Banned")],
)
def test_a_refusal_at_the_start_ends_with_what_to_do(code: int, words: str) -> None:
    with Line(refuse(code), user="host") as line:
        failed = line.next(Failed)
    assert isinstance(failed.error, BrokerRefusedError)
    assert words in str(failed.error)
    assert "(as 'host'); set --broker-user and --broker-password-file" in str(failed.error)
    assert "pass" not in str(failed.error).replace("password", "")


def test_a_refusal_later_is_waited_out(caplog: pytest.LogCaptureFixture) -> None:
    def once(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)

    with Line(once, refuse(0x87), good) as line:
        line.next(Connected)
        assert line.next(Connected).generation == 3
    assert "refused the connection: Not authorized" in caplog.text


def test_a_refused_subscription_at_the_start_names_it() -> None:
    def script(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection, b"\x01\x01\x00\x87\x00")
        peer.linger(connection)

    with Line(script) as line:
        failed = line.next(Failed)
    assert isinstance(failed.error, BrokerRefusedError)
    assert "refused to subscribe wheelpit/1/sallow-ghyll/+/record (Not authorized)" in str(failed.error)


def test_a_session_that_is_taken_over_ends_the_service() -> None:
    def script(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)
        connection.sendall(bytes([0xE0, 2, 0x8E, 0]))  # MQTT 5.0, 3.14.2.1: session taken over
        peer.linger(connection)

    with Line(script) as line:
        failed = line.next(Failed)
    assert isinstance(failed.error, TakenOverError)
    assert "end the other one" in str(failed.error)


def silent(peer: Peer, connection: socket.socket) -> None:
    peer.linger(connection)


def http(peer: Peer, connection: socket.socket) -> None:
    peer.packet(connection)
    connection.sendall(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n")


def hangs_up(peer: Peer, connection: socket.socket) -> None:
    peer.packet(connection)


@pytest.mark.parametrize(
    ("script", "words"),
    [
        (silent, "does not speak MQTT 5"),
        (http, "MQTT 5"),
        (hangs_up, "closed before the broker accepted it"),
        (refuse(0x01), "Unsupported protocol version"),
    ],
)
def test_what_is_no_mqtt_5_broker_is_told_apart_and_tried_again(
    script: Any, words: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(mqtt, "_CONNACK_S", 0.5)
    with Line(script, good) as line:
        line.next(Connected)
    assert words in caplog.text


def test_a_broker_that_is_not_there_is_waited_for(caplog: pytest.LogCaptureFixture) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    inbox = Inbox()
    link = Link(Broker("127.0.0.1", port), SITE, WILL, inbox)
    link.start()
    until = time.monotonic() + 20
    while "waiting for it" not in caplog.text and time.monotonic() < until:
        time.sleep(0.02)
    link.close()
    assert f"no broker at 127.0.0.1:{port} yet; waiting for it" in caplog.text
    assert inbox.take(0) == []


def test_a_broker_that_sends_more_than_was_agreed_loses_the_connection(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(mqtt, "_AFTER_DROP_S", 0.1)

    def flood(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)
        for mid in range(1, 1400):
            connection.sendall(publish("wheelpit/1/s/n/record", b"{}", mid))
        peer.linger(connection)

    with Line(flood, good) as line:
        line.until(lambda: "more messages than this host said it would take" in caplog.text)


def test_a_fault_in_the_networks_thread_reaches_the_service(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(self: Inbox, event: Any) -> bool:
        if isinstance(event, Incoming):
            raise ZeroDivisionError("a fault of this program")
        return true_put(self, event)

    def script(peer: Peer, connection: socket.socket) -> None:
        peer.accept(connection)
        connection.sendall(publish("wheelpit/1/s/n/record", json.dumps({}).encode(), 1))
        peer.linger(connection)

    true_put = Inbox.put
    monkeypatch.setattr(Inbox, "put", broken)
    with Line(script) as line:
        failed = line.next(Failed)
    assert isinstance(failed.error, WheelpitError)
    assert failed.error.exit_code == 70
    assert "the network's thread died" in str(failed.error)
