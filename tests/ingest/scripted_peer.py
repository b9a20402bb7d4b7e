"""A broker that says exactly what a test wants it to say, and the service's connection to it."""

from __future__ import annotations

import socket
import struct
import threading
import time
from typing import TYPE_CHECKING, Any, Self

import pytest

from wheelpit.contract import topics
from wheelpit.ingest.address import Broker
from wheelpit.ingest.inbox import Inbox
from wheelpit.ingest.mqtt import Link, Outgoing

if TYPE_CHECKING:
    from collections.abc import Callable

SITE = "sallow-ghyll"
WILL = Outgoing(topics.host_status(SITE), b'{"state":"offline"}', 1, retain=True)
ACCEPTED = bytes.fromhex("2003000000")  # CONNACK, no session, success, no properties (MQTT 5.0, 3.2)


def suback(mid: int, codes: bytes) -> bytes:
    body = struct.pack("!HB", mid, 0) + codes
    return bytes([0x90, len(body)]) + body


def publish(topic: str, payload: bytes, mid: int) -> bytes:
    body = struct.pack("!H", len(topic)) + topic.encode() + struct.pack("!HB", mid, 0) + payload
    assert len(body) < 128
    return bytes([0x32, len(body)]) + body


class Peer:
    """Accepts connections one after another and hands each to a script; keeps the packets that came."""

    def __init__(self, *scripts: Callable[[Peer, socket.socket], None]) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.packets: list[tuple[int, bytes]] = []
        self.connections = 0
        self._scripts = scripts
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            script = self._scripts[min(self.connections, len(self._scripts) - 1)]
            self.connections += 1
            connection.settimeout(20)
            with connection:
                try:
                    script(self, connection)
                except OSError:
                    continue

    def packet(self, connection: socket.socket) -> tuple[int, bytes]:
        """Read one packet: the first byte and the rest after the length."""
        (first,) = self._exactly(connection, 1)
        length = shift = 0
        while True:
            (byte,) = self._exactly(connection, 1)
            length |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
        found = first, self._exactly(connection, length)
        self.packets.append(found)
        return found

    @staticmethod
    def _exactly(connection: socket.socket, count: int) -> bytes:
        found = b""
        while len(found) < count:
            more = connection.recv(count - len(found))
            if not more:
                raise ConnectionResetError
            found += more
        return found

    def accept(self, connection: socket.socket, codes: bytes = b"\x01\x01\x00\x01\x00") -> None:
        """Play the first steps of a broker: CONNECT, CONNACK, SUBSCRIBE, SUBACK."""
        self.packet(connection)
        connection.sendall(ACCEPTED)
        _, body = self.packet(connection)
        connection.sendall(suback(struct.unpack("!H", body[:2])[0], codes))

    def linger(self, connection: socket.socket) -> None:
        while not self._over.is_set():
            self.packet(connection)

    def close(self) -> None:
        self._over.set()
        # Closing alone does not wake a thread that waits in accept.
        with socket.socket() as knock:
            knock.connect_ex(("127.0.0.1", self.port))
        self.listener.close()
        self._thread.join(30)


class Line:
    """A link on a peer, ended after the test."""

    def __init__(self, *scripts: Callable[[Peer, socket.socket], None], user: str | None = None) -> None:
        self.peer = Peer(*scripts)
        self.inbox = Inbox()
        password = None if user is None else "pass"
        self.link = Link(Broker("127.0.0.1", self.peer.port, user, password), SITE, WILL, self.inbox)

    def __enter__(self) -> Self:
        self.link.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.link.close()
        self.peer.close()

    def next(self, kind: type[Any], patience_s: float = 20) -> Any:
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            for event in self.inbox.take(0.1):
                if isinstance(event, kind):
                    return event
        pytest.fail(f"no {kind.__name__} came")

    def until(self, what: Callable[[], Any], patience_s: float = 20) -> None:
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            if what():
                return
            time.sleep(0.02)
        pytest.fail("waited in vain")
