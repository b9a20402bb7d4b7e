"""Nodes that are as fast as the protocol lets them be: every packet is made before the clock starts.

They speak MQTT 3.1.1 over a socket of their own, obey the window and the receipts as a node does, begin again from the
last receipt after a reconnect or a stall, and believe the receipts of one mark at a time.
"""

from __future__ import annotations

import contextlib
import json
import selectors
import socket
import struct
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.bench.backlog import Message

WINDOW: Final = 8  # messages without a receipt, as in firmware/node/delivery.py
_STALL_S: Final = 2.0
_RECONNECT_S: Final = 0.2


def _length(size: int) -> bytes:
    out = bytearray()
    while True:
        out.append(size & 127 | (128 if size > 127 else 0))
        size >>= 7
        if not size:
            return bytes(out)


def _packet(kind: int, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return bytes([kind]) + _length(len(body)) + body


def _text(text: str) -> bytes:
    raw = text.encode()
    return struct.pack(">H", len(raw)) + raw


def publication(topic: str, body: bytes, mid: int = 0, *, retain: bool = False) -> bytes:
    """Return a PUBLISH packet, QoS 1 if it has a packet number."""
    number = struct.pack(">H", mid) if mid else b""
    return _packet(0x30 | (2 if mid else 0) | retain, _text(topic), number, body)


class Wire:
    """A connection to a broker: sends packets, yields what comes."""

    def __init__(self, port: int, client_id: str, filters: list[str]) -> None:
        self.sock = socket.create_connection(("127.0.0.1", port), timeout=5)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.sock.sendall(_packet(0x10, _text("MQTT"), bytes([4, 2, 0, 60]), _text(client_id)))
        if filters:
            wanted = b"".join(_text(name) + b"\x01" for name in filters)
            self.sock.sendall(_packet(0x82, struct.pack(">H", 65_535), wanted))
        self._held = bytearray()

    def send(self, data: bytes) -> None:
        """Send bytes; the packets are small against the socket's buffer."""
        self.sock.sendall(data)

    def read(self) -> Iterator[tuple[str, bytes]]:
        """Yield the (topic, payload) of what lies there; raise OSError when the connection is gone."""
        got = self.sock.recv(1 << 16)
        if not got:
            raise ConnectionResetError("the broker closed the connection")
        self._held += got
        acks = bytearray()
        while (found := self._one(acks)) is not None:
            if found[0]:
                yield found
        if acks:
            self.sock.sendall(acks)

    def _one(self, acks: bytearray) -> tuple[str, bytes] | None:
        held = self._held
        size = shift = 0
        at = 1
        while True:
            if at >= len(held):
                return None
            byte = held[at]
            size |= (byte & 127) << shift
            shift += 7
            at += 1
            if byte < 128:
                break
        if len(held) < at + size:
            return None
        kind, body = held[0], bytes(held[at : at + size])
        del held[: at + size]
        if kind >> 4 != 3:
            return "", b""
        end = 2 + struct.unpack_from(">H", body)[0]
        topic = body[2:end].decode()
        if kind & 0x06:
            acks += b"\x40\x02" + body[end : end + 2]
            end += 2
        return topic, body[end:]

    def close(self) -> None:
        """Close it."""
        self.sock.close()


@dataclass
class FastNode:
    """A node with a backlog. `upto` is what it has a receipt for; `receipt_s` when each message got its own."""

    site: str
    name: str
    journal: str
    chip: str
    port: int
    queue: list[Message]
    born: bytes
    live: Callable[[], bytes] | None = None
    live_every_s: float = 0.5
    pace_s: float = 0.0  # from one message to the next; 0: as fast as the window lets it
    window: int = WINDOW
    upto: int = 0
    receipts: int = 0
    backwards: int = 0  # times the host had forgotten what it had given a receipt for
    connects: int = 0
    waits_s: list[float] = field(default_factory=list)
    _wire: Wire | None = None
    _mark: tuple[str, int] | None = None
    _next: int = 0
    _mid: int = 0
    _online: bool = False
    _still: int = 0
    _moved_s: float = 0.0
    _lived_s: float = 0.0
    _paced_s: float = 0.0
    _sent_s: dict[int, float] = field(default_factory=dict)
    _retry_s: float = 0.0
    _turned_back: bool = False
    _answers: deque[int] = field(default_factory=lambda: deque(maxlen=4 * WINDOW))

    @property
    def done(self) -> bool:
        """Whether everything has its receipt."""
        return self.upto >= self.queue[-1].last

    def topic(self, kind: str, node: str | None = None) -> str:
        """Return a topic of this node."""
        return f"wheelpit/1/{self.site}/{node or self.name}/{kind}"

    def turn(self, chosen: selectors.BaseSelector, now_s: float) -> None:
        """Connect if need be, send what is due."""
        if self._wire is None:
            if now_s < self._retry_s:
                return
            self._retry_s = now_s + _RECONNECT_S
            try:
                self._wire = Wire(
                    self.port, f"node-{self.name}", [self.topic("receipt"), self.topic("status", "host")]
                )
                self._number()
                self._wire.send(publication(self.topic("birth"), self.born, self._mid, retain=True))
            except OSError:
                self._lost(chosen)
                return
            self.connects += 1
            self._online = False
            self._again(now_s)
            chosen.register(self._wire.sock, selectors.EVENT_READ, self)
        if self._online and not self.done and now_s - self._moved_s > _STALL_S:
            self._again(now_s)
        try:
            self._fill(now_s)
        except OSError:
            self._lost(chosen)

    def read(self, chosen: selectors.BaseSelector) -> None:
        """Take what came."""
        if self._wire is None:
            return
        try:
            for topic, body in self._wire.read():
                told = json.loads(body)
                now_s = time.monotonic()
                if topic.endswith("/status"):
                    was, self._online = self._online, told["state"] == "online"
                    if self._online and not was:
                        self._again(now_s)
                elif topic.endswith("/receipt"):
                    self._receipt(told, now_s)
                self._fill(now_s)
        except OSError:
            self._lost(chosen)

    def _number(self) -> None:
        self._mid = self._mid % 60_000 + 1

    def _lost(self, chosen: selectors.BaseSelector) -> None:
        if self._wire is not None:
            with contextlib.suppress(KeyError):  # it broke before it was ever listened to
                chosen.unregister(self._wire.sock)
            self._wire.close()
            self._wire = None
        self._online = False

    def _again(self, now_s: float) -> None:
        """Begin again after the last receipt."""
        low, high = 0, len(self.queue)
        while low < high:
            middle = (low + high) // 2
            low, high = (middle + 1, high) if self.queue[middle].last <= self.upto else (low, middle)
        self._next, self._still, self._moved_s, self._turned_back = low, 0, now_s, False

    def _receipt(self, told: dict[str, Any], now_s: float) -> None:
        self.receipts += 1
        mark = (told["ledger"], told["start"])
        upto = told["upto"] if told["journal"] == self.journal else 0
        upto = min(upto, self.queue[-1].last)
        if mark != self._mark:
            if self._mark is not None and mark < self._mark and mark[0] == self._mark[0]:
                return
            self.backwards += upto < self.upto
            self._mark, self.upto = mark, upto
            self._again(now_s)
            return
        if upto <= self.upto:
            # A copy of what the host had changes nothing; two answers that refuse something new say that one is missing.
            answered = self._answers.popleft() if self._answers else 0
            self._still += answered > self.upto
            if self._still == 2 and not self._turned_back:
                self._again(now_s)
                self._turned_back = True
            return
        self.upto, self._still, self._moved_s, self._turned_back = upto, 0, now_s, False
        while self._answers and self._answers.popleft() < upto:
            pass  # as many as this receipt answers
        for last in [last for last in self._sent_s if last <= upto]:
            self.waits_s.append(now_s - self._sent_s.pop(last))
        if self._next < len(self.queue) and self.queue[self._next].last <= upto:
            self._again(now_s)

    def _fill(self, now_s: float) -> None:
        if self._wire is None or not self._online:
            return
        if self.live is not None and now_s - self._lived_s >= self.live_every_s:
            self._lived_s = now_s
            self._wire.send(publication(self.topic("live"), self.live()))
        out = bytearray()
        while self._next < len(self.queue):
            in_flight = 0
            at = self._next - 1
            while at >= 0 and self.queue[at].last > self.upto:
                in_flight += 1
                at -= 1
            if in_flight >= self.window or (self.pace_s and now_s - self._paced_s < self.pace_s):
                break
            if in_flight == 0:
                self._moved_s = now_s
            self._paced_s = now_s
            message = self.queue[self._next]
            self._number()
            out += publication(self.topic("record"), message.body, self._mid)
            self._sent_s[message.last] = now_s
            self._answers.append(message.last)
            self._next += 1
        if out:
            self._wire.send(bytes(out))

    def close(self) -> None:
        """Leave."""
        if self._wire is not None:
            self._wire.close()
            self._wire = None


class Fleet:
    """Runs nodes in one thread."""

    def __init__(self, nodes: list[FastNode]) -> None:
        self.nodes = nodes
        self._chosen = selectors.DefaultSelector()

    def run(self, until: Callable[[], bool]) -> bool:
        """Run until a moment that `until` names; it is asked again and again. Returns what it said last."""
        while not until():
            now_s = time.monotonic()
            for node in self.nodes:
                node.turn(self._chosen, now_s)
            for key, _ in self._chosen.select(0.01):
                key.data.read(self._chosen)
        return True

    def done(self) -> bool:
        """Whether every node has its receipts."""
        return all(node.done for node in self.nodes)

    def close(self) -> None:
        """Close every connection."""
        for node in self.nodes:
            node.close()
        self._chosen.close()
