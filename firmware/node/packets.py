"""MQTT 3.1.1 packets as bytes: the message that is published again and again, and the small ones around it."""

import struct

PUBLISH = 0x30
_HEADROOM = 5  # the longest fixed header: one byte of kind, four of length
_SEVEN_BITS = 0x7F


class Message:
    """One kind of message to publish: its topic and a buffer that is used again and again.

    The payload is written from `buffer[body]` on, at most `size` bytes of it, and `length` set. The room before it
    takes the MQTT header, so that a message leaves in one piece and nothing is copied. Messages that are filled
    only to be sent at once may share a buffer.
    """

    def __init__(
        self, topic: str, *, qos: int, retain: bool, size: int, buffer: "bytearray | None" = None
    ) -> None:
        self.topic = topic.encode()
        self.qos = qos
        self.retain = retain
        self.size = size
        self.body = _HEADROOM + 2 + len(self.topic) + 2 * qos
        self.length = 0
        self.buffer = bytearray(self.body + size) if buffer is None else buffer
        self._named = text(self.topic)
        if len(self.buffer) < self.body + size:
            raise ValueError("a buffer of %d bytes for %d" % (len(self.buffer), self.body + size))

    def fill(self, payload: bytes) -> None:
        """Take a payload that was made elsewhere."""
        if len(payload) > self.size:
            raise ValueError("a payload of %d bytes where %d fit" % (len(payload), self.size))
        self.length = len(payload)
        self.buffer[self.body : self.body + self.length] = payload

    def payload(self) -> bytes:
        """Return a copy of the payload."""
        return bytes(self.buffer[self.body : self.body + self.length])

    def packet(self, packet_id: int) -> memoryview:
        """Return the whole packet, valid until the buffer is written again. QoS 0 has no use for `packet_id`."""
        self.buffer[_HEADROOM : _HEADROOM + len(self._named)] = self._named
        if self.qos:
            struct.pack_into("!H", self.buffer, self.body - 2, packet_id)
        rest = self.body - _HEADROOM + self.length
        # The length takes 1 to 4 bytes and ends where the topic begins.
        start = _HEADROOM - 2
        while rest >> 7 * (_HEADROOM - 1 - start):
            start -= 1
        self.buffer[start] = PUBLISH | self.qos << 1 | (1 if self.retain else 0)
        _write_length(self.buffer, start + 1, rest)
        return memoryview(self.buffer)[start : self.body + self.length]


def _write_length(buffer: bytearray, at: int, length: int) -> int:
    while length > _SEVEN_BITS:
        buffer[at] = length & _SEVEN_BITS | 0x80
        length >>= 7
        at += 1
    buffer[at] = length
    return at + 1


def text(value: "str | bytes") -> bytes:
    """Return a text as it stands in a packet: its length in two bytes, then itself in UTF-8."""
    data = value.encode() if isinstance(value, str) else value
    return struct.pack("!H", len(data)) + data


def packet(kind: int, content: bytes) -> bytes:
    """Return a packet of a kind (the whole first byte) with its length."""
    head = bytearray(_HEADROOM)
    head[0] = kind
    return bytes(head[: _write_length(head, 1, len(content))]) + content
