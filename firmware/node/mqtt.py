"""MQTT 3.1.1 on asyncio streams: QoS 0 and 1, a clean session at every connect, nothing kept for resending.

What must arrive is kept elsewhere until the host's receipt. A PUBACK here only frees a place in the window, and
a connection that misbehaves in any way is thrown away: `run` lives through one connection and raises why it ended.
"""

import asyncio
import struct
import sys

from node.packets import PUBLISH, Message, packet, text

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Awaitable, Callable

    Opener = Callable[[str, int], Awaitable[tuple[asyncio.StreamReader, asyncio.StreamWriter]]]

_CONNACK = 0x20
_PUBACK = 0x40
_SUBACK = 0x90
_PINGRESP = 0xD0
_PING = b"\xc0\x00"
_ACCEPTED = b"\x00\x00"  # flags and code of a CONNACK
_LAST_SHIFT = 21  # of the fourth byte of a length, which is the last
_ID_BYTES = 2
_LONGEST_IN = (
    4096  # bytes of a packet that are read into memory; a longer one is answered and passed over ...
)
_PIECE = 256  # ... in pieces of so many bytes
_TICK_MS = 100  # how often a connection's deadlines are looked at
_REFUSALS = (
    "",
    "it does not speak MQTT 3.1.1",
    "it does not accept this client id",
    "it is not ready",
    "broker_user or broker_password in secrets.json is wrong",
    "broker_user in secrets.json is not allowed to connect",
)
_REUSES_BUFFERS = sys.implementation.name == "micropython"  # CPython may keep what it was given for later


class MqttError(Exception):
    """The broker, or the way to it, did something that ends the connection."""


class Client:
    """A client of one broker.

    `opener` is the board's `open_connection`; `now_ms` a clock that never steps. `source(room, now_ms)` is asked
    whenever something could be sent and returns a filled Message or None; while `room` is False the window is full
    and only a message at QoS 0 may be given. `on_message(topic, payload, retained)` gets bytes. `on_up()` is called
    when the broker has accepted the connection and every subscription.
    """

    def __init__(
        self,
        opener: "Opener",
        now_ms: "Callable[[], int]",
        host: str,
        port: int,
        client_id: str,
        *,
        source: "Callable[[bool, int], Message | None]",
        on_message: "Callable[[bytes, bytes, bool], None]",
        on_up: "Callable[[], None]",
        subscribe: "tuple[str, ...]" = (),
        last_will: "Message | None" = None,
        user: "str | None" = None,
        password: "str | None" = None,
        keepalive_s: int = 30,
        answer_ms: int = 10000,
        window: int = 6,
    ) -> None:
        self.connects = 0
        self.oversize = 0  # packets that were passed over because they were too long
        self.up = False
        self.heard_ms = 0  # when the broker was last heard
        self._opener = opener
        self._now_ms = now_ms
        self._host = host
        self._port = port
        self._client_id = client_id
        self._source = source
        self._on_message = on_message
        self._on_up = on_up
        self._subscribe = subscribe
        self._last_will = last_will
        self._user = user
        self._password = password
        self._keepalive_s = keepalive_s
        self._answer_ms = answer_ms
        self._ids = [0] * window  # packet ids in flight, 0: a free place
        self._since_ms = [0] * window
        self._last_id = 0
        self._wake = asyncio.Event()
        self._forget()

    def _forget(self) -> None:
        """Begin without anything of the connection before."""
        self.up = False
        for i in range(len(self._ids)):
            self._ids[i] = 0
        self._owed = b""  # PUBACKs that the broker waits for
        self._failure: Exception | None = None
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._sent_ms = 0
        self._writing_ms = -1  # since when a write has been stuck, -1: none is
        self._pinged_ms = -1  # since when a PINGRESP has been owed

    def poke(self) -> None:
        """Say that `source` may have something new."""
        self._wake.set()

    def alive(self, now_ms: int) -> bool:
        """Say whether the link counts as up: the broker was heard within one and a half times the keepalive."""
        return self.up and now_ms - self.heard_ms <= self._keepalive_s * 1500

    async def run(self, beat: "Callable[[], None]") -> None:
        """Connect and serve until the connection fails, then raise why. Calls `beat()` several times a second."""
        self._forget()
        tasks = [asyncio.create_task(self._guarded(self._open()))]
        try:
            began_ms = self._now_ms()
            while not self.up:
                await asyncio.sleep_ms(_TICK_MS)
                beat()
                self._raise_failure()
                if self._now_ms() - began_ms > self._answer_ms:
                    raise MqttError("no answer from the broker at %s:%d" % (self._host, self._port))
            self.connects += 1
            self._on_up()
            tasks.append(asyncio.create_task(self._guarded(self._write_all())))
            tasks.append(asyncio.create_task(self._guarded(self._read_all())))
            while True:
                await asyncio.sleep_ms(_TICK_MS)
                beat()
                self._raise_failure()
                self._check_deadlines(self._now_ms())
                self._wake.set()  # time has passed, so `source` may have something
        finally:
            self.up = False
            for task in tasks:
                task.cancel()
            await self._close()

    async def _guarded(self, work: "Awaitable[None]") -> None:
        """Keep a task's failure for `run`, which is where it is dealt with."""
        try:
            await work
        except Exception as error:
            self._failure = error

    def _raise_failure(self) -> None:
        failure = self._failure
        if failure is not None:
            raise failure

    def _check_deadlines(self, now_ms: int) -> None:
        limit_ms = self._answer_ms
        if self._writing_ms >= 0 and now_ms - self._writing_ms > limit_ms:
            raise MqttError("the broker takes nothing any more")
        if self._pinged_ms >= 0 and now_ms - self._pinged_ms > limit_ms:
            raise MqttError("the broker does not answer a ping")
        for i in range(len(self._ids)):
            if self._ids[i] and now_ms - self._since_ms[i] > limit_ms:
                raise MqttError("the broker does not acknowledge a message")
        if now_ms - self.heard_ms > self._keepalive_s * 1500:
            raise MqttError("the broker is silent")

    async def _close(self) -> None:
        if self._streams is None:
            return
        writer = self._streams[1]
        self._streams = None
        if _REUSES_BUFFERS:
            writer.close()
            await writer.wait_closed()  # closes the socket and never waits
        else:
            writer.transport.abort()  # CPython's `close` would go on trying to send what is left

    # Connecting -----------------------------------------------------------------------------------------------

    async def _open(self) -> None:
        self._streams = await self._opener(self._host, self._port)
        await self._send(self._connect_packet())
        kind, content = await self._receive()
        if kind != _CONNACK or len(content) != len(_ACCEPTED):
            raise MqttError("the broker answers CONNECT with %02x %r" % (kind, content[:8]))
        # "Session present" is not looked at: with a clean session there is nothing that it could change.
        code = content[1]
        if code:
            why = _REFUSALS[code] if code < len(_REFUSALS) else "code %d" % code
            raise MqttError("the broker refuses the connection: %s" % why)
        if self._subscribe:
            await self._subscribe_all()
        self.up = True

    def _connect_packet(self) -> bytes:
        flags = 0x02  # clean session
        tail = text(self._client_id)
        will = self._last_will
        if will is not None:
            flags |= 0x04 | will.qos << 3 | (0x20 if will.retain else 0)
            tail += text(will.topic) + text(will.payload())
        if self._user is not None:
            flags |= 0x80
            tail += text(self._user)
            if self._password is not None:
                flags |= 0x40
                tail += text(self._password)
        return packet(0x10, text("MQTT") + bytes((4, flags)) + struct.pack("!H", self._keepalive_s) + tail)

    async def _subscribe_all(self) -> None:
        packet_id = self._next_id()
        asked = b"".join([text(topic) + b"\x01" for topic in self._subscribe])
        await self._send(packet(0x82, struct.pack("!H", packet_id) + asked))
        while True:
            kind, content = await self._receive()
            if kind == _SUBACK:
                break
            self._take(kind, content)  # retained messages may come before the subscription is confirmed
        if len(content) != 2 + len(self._subscribe) or content[0] << 8 | content[1] != packet_id:
            raise MqttError("the broker confirms another subscription")
        for i, topic in enumerate(self._subscribe):
            if content[2 + i] > 1:
                raise MqttError("the broker refuses the subscription to %s" % topic)

    # Receiving ------------------------------------------------------------------------------------------------

    async def _read_all(self) -> None:
        while True:
            self._take(*await self._receive())

    def _reader(self) -> "asyncio.StreamReader":
        if self._streams is None:
            raise MqttError("the connection is closed")
        return self._streams[0]

    async def _receive(self) -> "tuple[int, bytes]":
        """Return the first byte and the content of the next packet; (0, b"") for one that was passed over."""
        reader = self._reader()
        head = await reader.readexactly(2)
        length = head[1] & 0x7F
        shift = 7
        more = head[1] & 0x80
        while more:
            if shift > _LAST_SHIFT:
                raise MqttError("the broker sends a malformed length")
            byte = (await reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            more = byte & 0x80
        if length > _LONGEST_IN:
            await self._pass_over(head[0], length)
            return 0, b""
        content = await reader.readexactly(length) if length else b""
        self.heard_ms = self._now_ms()
        return head[0], content

    async def _pass_over(self, kind: int, length: int) -> None:
        """Answer a packet that is too long for memory and read past it; closing would bring it again at once."""
        reader = self._reader()
        self.oversize += 1
        if kind & 0xF0 == PUBLISH:
            name = await reader.readexactly(2)
            topic = name[0] << 8 | name[1]
            acknowledged = 2 if kind & 0x06 else 0
            length -= 2 + topic + acknowledged
            if length < 0:
                raise MqttError("the broker sends a malformed message")
            await self._read_past(topic)
            if acknowledged:
                self._owe(await reader.readexactly(2))
        await self._read_past(length)

    async def _read_past(self, length: int) -> None:
        while length:
            piece = min(length, _PIECE)
            await self._reader().readexactly(piece)
            self.heard_ms = self._now_ms()
            length -= piece

    def _take(self, kind: int, content: bytes) -> None:
        what = kind & 0xF0
        if what == _PUBACK and len(content) == _ID_BYTES:
            self._free(content[0] << 8 | content[1])
        elif what == PUBLISH:
            self._take_message(kind, content)
        elif what == _PINGRESP:
            self._pinged_ms = -1
        elif kind:
            raise MqttError("the broker sends %02x %r" % (kind, content[:8]))

    def _take_message(self, kind: int, content: bytes) -> None:
        qos = kind >> 1 & 3
        at = 2 + (content[0] << 8 | content[1]) if len(content) > 1 else _LONGEST_IN
        body = at + 2 if qos else at
        if qos > 1 or body > len(content):
            raise MqttError("the broker sends a malformed message")
        if qos:
            self._owe(content[at:body])
        self._on_message(content[2:at], content[body:], bool(kind & 1))
        self._wake.set()  # it may be what `source` waited for

    def _owe(self, packet_id: bytes) -> None:
        self._owed += b"\x40\x02" + packet_id
        self._wake.set()

    # Sending --------------------------------------------------------------------------------------------------

    async def _write_all(self) -> None:
        while True:
            packet = self._next_packet(self._now_ms())
            if packet is None:
                self._wake.clear()
                await self._wake.wait()
            else:
                await self._send(packet)

    def _next_packet(self, now_ms: int) -> "bytes | memoryview | None":
        if self._owed:
            owed = self._owed
            self._owed = b""
            return owed
        quiet_ms = now_ms - min(self.heard_ms, self._sent_ms)
        if self._pinged_ms < 0 and quiet_ms >= self._keepalive_s * 500:
            self._pinged_ms = now_ms
            return _PING
        place = self._free_place()
        message = self._source(place >= 0, now_ms)
        if message is None:
            return None
        if not message.qos:
            return message.packet(0)
        self._ids[place] = self._next_id()
        self._since_ms[place] = now_ms
        return message.packet(self._ids[place])

    async def _send(self, packet: "bytes | memoryview") -> None:
        if self._streams is None:
            raise MqttError("the connection is closed")
        writer = self._streams[1]
        self._writing_ms = self._now_ms()
        writer.write(packet if _REUSES_BUFFERS else bytes(packet))
        await writer.drain()
        self._sent_ms = self._now_ms()
        self._writing_ms = -1

    def _free_place(self) -> int:
        """Return a free place in the window, -1 when it is full."""
        for i in range(len(self._ids)):
            if not self._ids[i]:
                return i
        return -1

    def _next_id(self) -> int:
        """Return an id that is not in flight: 1 to 65535, round and round."""
        while True:
            self._last_id = self._last_id % 65535 + 1
            if self._last_id not in self._ids:
                return self._last_id

    def _free(self, packet_id: int) -> None:
        """Free the place of an acknowledged message; an id that is not in flight is none of ours."""
        if packet_id and packet_id in self._ids:
            self._ids[self._ids.index(packet_id)] = 0
            self._wake.set()
