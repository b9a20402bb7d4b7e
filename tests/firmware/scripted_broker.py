"""An MQTT 3.1.1 broker for one client that keeps a record of everything and misbehaves on cue.

It keeps retained messages, publishes last wills and plays the host through `say`. Packet layouts are those of
MQTT 3.1.1 (OASIS Standard, 29 October 2014), chapters 2 and 3.
"""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import Self

KINDS = {0x20: "CONNACK", 0x30: "PUBLISH", 0x40: "PUBACK", 0x90: "SUBACK", 0xD0: "PINGRESP"}


@dataclass
class Published:
    """One PUBLISH of the client; `connection` counts from 0."""

    connection: int
    topic: str
    payload: bytes
    qos: int
    packet_id: int
    retain: bool
    duplicate: bool
    at_s: float

    @property
    def kind(self) -> str:
        return self.topic.rsplit("/", 1)[-1]

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


@dataclass
class Connection:
    """One connection of the client and what it asked for."""

    number: int
    transport: asyncio.Transport
    flags: int = 0
    keepalive_s: int = 0
    client_id: str = ""
    user: str | None = None
    password: str | None = None
    will: tuple[str, bytes, bool] | None = None
    subscriptions: list[str] = field(default_factory=list)
    pings: int = 0


@dataclass
class Manners:
    """How the broker behaves. Everything may be changed while it runs.

    silent: kinds of packets it never sends. late_s: how long it holds a kind back. cuts: (kind, n), one after the
    other: the next packet of that kind ends after n bytes and so does the connection. forgetful: it acknowledges messages and drops them. refuse: code of its CONNACK.
    session_present: the flag that it must not set after a clean start. granted: code of its SUBACK.
    """

    silent: set[str] = field(default_factory=set)
    late_s: dict[str, float] = field(default_factory=dict)
    cuts: list[tuple[str, int]] = field(default_factory=list)
    forgetful: bool = False
    refuse: int = 0
    session_present: bool = False
    granted: int = 1


class _Conversation(asyncio.Protocol):
    """Cuts what a client sends into packets."""

    def __init__(self, broker: ScriptedBroker) -> None:
        self._broker = broker
        self._buffer = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._connection = self._broker.opened(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self._broker.closed(self._connection)

    def data_received(self, data: bytes) -> None:
        buffer = self._buffer + data
        at = 0
        while True:
            length = shift = 0
            start = at + 1
            while start < len(buffer):
                byte = buffer[start]
                length |= (byte & 0x7F) << shift
                shift += 7
                start += 1
                if byte < 0x80:
                    break
            else:
                break  # the length is not complete yet
            if start + length > len(buffer):
                break
            self._broker.take(self._connection, buffer[at], buffer[start : start + length])
            at = start + length
        self._buffer = buffer[at:]


class ScriptedBroker:
    """`async with ScriptedBroker() as broker:` listens on `broker.port` of 127.0.0.1."""

    def __init__(self, port: int = 0) -> None:
        self.port = port
        self.manners = Manners()
        self.published: list[Published] = []
        self.connections: list[Connection] = []
        self.retained: dict[str, bytes] = {}
        self.acknowledged: list[int] = []  # packet ids of the host's messages that the client acknowledged
        self._open: dict[int, Connection] = {}
        self.on_publish: Callable[[Published], None] | None = None
        self.nonsense: list[tuple[int, bytes]] = []  # packets that a client must not send
        self._server: asyncio.Server | None = None
        self._last_id = 0
        self.most_waiting = 0  # messages of the client that waited for their PUBACK at one time
        self._waiting = 0

    async def __aenter__(self) -> Self:
        await self.listen()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.leave()
        assert not self.nonsense, "the client sent what no client may send"

    async def listen(self) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Conversation(self), "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def leave(self) -> None:
        """Reset every connection and stop listening."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.reset()
        await asyncio.sleep(0)

    def reset(self) -> None:
        """End every connection without a word."""
        for connection in self._open.values():
            connection.transport.abort()

    def deafen(self) -> None:
        """Read nothing more from the connections that are open now."""
        for connection in self._open.values():
            connection.transport.pause_reading()

    async def until(self, condition: Callable[[], bool], timeout_s: float = 20.0) -> None:
        """Wait until `condition()` holds."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + timeout_s
        while not condition():
            assert loop.time() < end_s, "this did not happen"
            await asyncio.sleep(0.005)

    def of(self, kind: str) -> list[Published]:
        """Return what was published under topics that end so, in order."""
        return [message for message in self.published if message.kind == kind]

    def say(self, topic: str, payload: bytes | dict[str, Any], *, retain: bool = False, qos: int = 1) -> None:
        """Publish as the host does."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        if retain:
            self.retained[topic] = data
        for connection in self._open.values():
            if topic in connection.subscriptions:
                self._deliver(connection, topic, data, retained=False, qos=qos)

    # What the client sends ------------------------------------------------------------------------------------

    def take(self, connection: Connection, head: int, content: bytes) -> None:
        """Answer one packet."""
        if connection.transport.is_closing():
            return
        try:
            self._take(connection, head, content)
        except (AssertionError, IndexError, UnicodeDecodeError):
            self.nonsense.append((head, content))

    def _take(self, connection: Connection, head: int, content: bytes) -> None:
        what = head & 0xF0
        if what == 0x10:
            self._connect(connection, content)
        elif what == 0x80:
            self._subscribe(connection, content)
        elif what == 0x30:
            self._publish(connection, head, content)
        elif what == 0x40:
            self.acknowledged.append(content[0] << 8 | content[1])
        elif what == 0xC0:
            connection.pings += 1
            self._send(connection, b"\xd0\x00")
        else:
            self.nonsense.append((head, content))

    def opened(self, transport: asyncio.Transport) -> Connection:
        """Count a new connection."""
        connection = Connection(len(self.connections), transport)
        self.connections.append(connection)
        self._open[connection.number] = connection
        return connection

    def closed(self, connection: Connection) -> None:
        """Speak the last will of a client that went without a word; this one always does."""
        del self._open[connection.number]
        if connection.will is not None:
            topic, payload, retain = connection.will
            if retain:
                self.retained[topic] = payload

    def _connect(self, connection: Connection, content: bytes) -> None:
        assert content[:7] == b"\x00\x04MQTT\x04"
        connection.flags = content[7]
        connection.keepalive_s = content[8] << 8 | content[9]
        rest = content[10:]

        def take() -> bytes:
            nonlocal rest
            size = rest[0] << 8 | rest[1]
            data, rest = rest[2 : 2 + size], rest[2 + size :]
            assert len(data) == size
            return data

        connection.client_id = take().decode()
        if connection.flags & 0x04:
            connection.will = (take().decode(), take(), bool(connection.flags & 0x20))
        if connection.flags & 0x80:
            connection.user = take().decode()
        if connection.flags & 0x40:
            connection.password = take().decode()
        assert not rest
        self._send(connection, bytes((0x20, 2, int(self.manners.session_present), self.manners.refuse)))

    def _subscribe(self, connection: Connection, content: bytes) -> None:
        at, topics = 2, []
        while at < len(content):
            size = content[at] << 8 | content[at + 1]
            topics.append(content[at + 2 : at + 2 + size].decode())
            at += 3 + size
        connection.subscriptions += topics
        granted = bytes([self.manners.granted] * len(topics))
        self._send(connection, bytes((0x90, 2 + len(topics))) + content[:2] + granted)
        for topic in topics:
            if topic in self.retained:
                self._deliver(connection, topic, self.retained[topic], retained=True, qos=1)

    def _publish(self, connection: Connection, head: int, content: bytes) -> None:
        qos = head >> 1 & 3
        size = content[0] << 8 | content[1]
        at = 2 + size
        packet_id = 0
        if qos:
            packet_id = content[at] << 8 | content[at + 1]
            at += 2
        message = Published(
            connection.number,
            content[2 : 2 + size].decode(),
            content[at:],
            qos,
            packet_id,
            bool(head & 1),
            bool(head & 8),
            asyncio.get_running_loop().time(),
        )
        if not self.manners.forgetful:
            self.published.append(message)
            if message.retain:
                self.retained[message.topic] = message.payload
            if self.on_publish is not None:
                self.on_publish(message)
        if qos:
            self._waiting += 1
            self.most_waiting = max(self.most_waiting, self._waiting)
            self._send(connection, bytes((0x40, 2, packet_id >> 8, packet_id & 0xFF)))

    def _deliver(
        self, connection: Connection, topic: str, payload: bytes, *, retained: bool, qos: int
    ) -> None:
        name = topic.encode()
        content = len(name).to_bytes(2, "big") + name
        if qos:
            self._last_id = self._last_id % 65535 + 1
            content += self._last_id.to_bytes(2, "big")
        content += payload
        length, size = b"", len(content)
        while True:
            byte, size = size & 0x7F, size >> 7
            length += bytes((byte | 0x80 if size else byte,))
            if not size:
                break
        self._send(connection, bytes((0x30 | qos << 1 | retained,)) + length + content)

    def _send(self, connection: Connection, packet: bytes) -> None:
        kind = KINDS[packet[0] & 0xF0]
        if kind in self.manners.silent:
            return
        if self.manners.cuts and self.manners.cuts[0][0] == kind:
            length = self.manners.cuts.pop(0)[1]
            connection.transport.write(packet[:length])
            connection.transport.close()
            return
        delay_s = self.manners.late_s.get(kind, 0.0)
        if delay_s:
            asyncio.get_running_loop().call_later(delay_s, self._write, connection, kind, packet)
        else:
            self._write(connection, kind, packet)

    def _write(self, connection: Connection, kind: str, packet: bytes) -> None:
        if kind == "PUBACK":
            self._waiting -= 1
        connection.transport.write(packet)
