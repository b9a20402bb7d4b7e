"""Messages as JSON, written straight into the buffers from which they are sent.

Everything inside the node is an integer in steps; the decimal point is placed by integer arithmetic, so no float
is ever made and a value survives the way to the host unchanged.
"""

from node import names
from node.packets import Message
from node.records import Rec, Snapshot

RECORDS_BYTES = 4096  # no message of records is longer
RECORDS_MOST = 64  # nor holds more of them
BIRTH_BYTES = 4096
LIVE_BYTES = 1536
_TAIL = b"]}"  # of a message of records
_BILLION = 1000000000
_PLAIN_FROM = 0x20  # below it a character must be escaped in JSON


class EncodeError(Exception):
    """Something does not fit in the message that was made for it."""


class Writer:
    """Writes JSON into a part of a buffer. What no longer fits is left out, and `full` says so."""

    def __init__(self, buffer: bytearray, start: int, size: int) -> None:
        self.full = False
        self.at = start
        self._buffer = buffer
        self._start = start
        self._end = start + size
        self._digits = bytearray(10)

    def begin(self) -> None:
        """Begin at the start again."""
        self.at = self._start
        self.full = False

    def written(self) -> int:
        """Return how many bytes are written."""
        return self.at - self._start

    def left(self) -> int:
        """Return how many bytes still fit."""
        return self._end - self.at

    def raw(self, data: "bytes | memoryview") -> None:
        """Write bytes as they are."""
        end = self.at + len(data)
        if end > self._end:
            self.full = True
            return
        self._buffer[self.at : end] = data
        self.at = end

    def whole(self, value: int) -> None:
        """Write an integer."""
        if value < 0:
            self.raw(b"-")
            value = -value
        # In pieces that are small integers on a board, so that no digit costs memory.
        if value >= _BILLION:
            self.whole(value // _BILLION)
            self._piece(value % _BILLION, 9)
        else:
            self._piece(value, 1)

    def _piece(self, value: int, least: int) -> None:
        """Write an integer below 10^9 with at least so many digits."""
        digits = self._digits
        i = len(digits)
        while value or len(digits) - i < least:
            i -= 1
            digits[i] = 48 + value % 10
            value //= 10
        self.raw(memoryview(digits)[i:])

    def decimal(self, value: "int | None", steps: int) -> None:
        """Write an integer in steps as the number it stands for; `steps` to one unit: 1, 10, 100 ..."""
        if value is None:
            self.raw(b"null")
            return
        if value < 0:
            self.raw(b"-")
            value = -value
        self.whole(value // steps)
        rest = value % steps
        if rest:
            self.raw(b".")
            while rest:
                steps //= 10
                self._piece(rest // steps, 1)
                rest %= steps

    def value(self, value: object) -> None:
        """Write a text, an integer, True, False, None, or a list or dict of such."""
        if value is None:
            self.raw(b"null")
        elif isinstance(value, bool):
            self.raw(b"true" if value else b"false")
        elif isinstance(value, int):
            self.whole(value)
        elif isinstance(value, str):
            self._text(value)
        elif isinstance(value, dict):
            separator = b"{"
            for key, inner in value.items():
                self.raw(separator)
                self._text(key)
                self.raw(b":")
                self.value(inner)
                separator = b","
            self.raw(b"}" if value else b"{}")
        elif isinstance(value, (list, tuple)):
            separator = b"["
            for inner in value:
                self.raw(separator)
                self.value(inner)
                separator = b","
            self.raw(b"]" if value else b"[]")
        else:
            raise EncodeError("%r has no place in a message" % (value,))

    def _text(self, text: str) -> None:
        self.raw(b'"')
        for letter in text:
            if letter in '"\\':
                self.raw(b"\\")
                self.raw(letter.encode())
            elif ord(letter) < _PLAIN_FROM:
                self.raw(("\\u%04x" % ord(letter)).encode())
            else:
                self.raw(letter.encode())
        self.raw(b'"')


def _keys(some: "tuple[str, ...]") -> "tuple[bytes, ...]":
    """Return the keys of an object as they stand in JSON, each with what separates it from the one before."""
    return tuple([('%s"%s":' % ("{" if i == 0 else ",", name)).encode() for i, name in enumerate(some)])


def _put_faults(writer: Writer, channels: "tuple[str, ...]", faults: "list[str | None]") -> None:
    """Write the channels that have a fault, if any has."""
    separator = b',"faults":{"'
    for i in range(len(faults)):
        code = faults[i]
        if code is not None:
            writer.raw(separator)
            writer.raw(channels[i].encode())
            writer.raw(b'":"')
            writer.raw(code.encode())
            separator = b'","'
    if separator == b'","':
        writer.raw(b'"}')


def _millis(writer: Writer, value: "int | None") -> None:
    if value is None:
        writer.raw(b"null")
    else:
        writer.whole(value)


def _names(layout: names.Layout) -> bytes:
    """Return what a message of records says of its layout, made once: writing it letter by letter costs memory."""
    quoted = tuple(['","'.join(some) for some in (layout.channels, layout.totals)])
    return (',"channels":["%s"],"totals":["%s"],"records":[' % quoted).replace('[""]', "[]").encode()


class RecordEncoder:
    """Fills the message of records: `begin`, `add` until it says that no more fit, `end`.

    The names of channels and totals are told once, before the first record: all records of a message have the same.
    """

    def __init__(self, layout: names.Layout, journal: str, message: Message) -> None:
        self._message = message
        self._writer = Writer(message.buffer, message.body, message.size)
        self._own = layout
        self._own_names = _names(layout)
        self._layout = layout  # of the records of this message
        self._head = ('{"journal":"%s","after":' % journal).encode()
        self._count = 0

    def begin(self, after: int) -> None:
        """Begin a message whose first record stands immediately after `after` in the journal (0: none before)."""
        self._count = 0
        self._writer.begin()
        self._writer.raw(self._head)
        self._writer.whole(after)

    def add(self, rec: Rec, end_ms: "int | None", clock: str) -> bool:
        """Add a record, dated as told; return False and leave it out when it does not fit any more.

        A record of an earlier boot that had other channels or totals begins a message of its own.
        """
        writer = self._writer
        layout = rec.layout or self._own
        if not self._count:
            self._layout = layout
            writer.raw(self._own_names if layout.same(self._own) else _names(layout))
        elif self._count == RECORDS_MOST or not layout.same(self._layout):
            return False
        before = writer.at
        if self._count:
            writer.raw(b",")
        self._record(rec, end_ms, clock)
        if writer.full or writer.left() < len(_TAIL):
            if not self._count:
                raise EncodeError("record %d does not fit in a message" % rec.n)
            writer.at = before
            writer.full = False
            return False
        self._count += 1
        return True

    def end(self) -> Message:
        """Return the message, ready to be sent."""
        self._writer.raw(_TAIL)
        self._message.length = self._writer.written()
        return self._message

    def _record(self, rec: Rec, end_ms: "int | None", clock: str) -> None:
        writer = self._writer
        base = rec.boot * names.SEQ_PER_BOOT
        writer.raw(b'{"seq":')
        writer.whole(base + rec.n)
        writer.raw(b',"first":')
        writer.whole(base + rec.first)
        writer.raw(b',"up_ms":')
        writer.whole(rec.up_ms)
        writer.raw(b',"dur_ms":')
        writer.whole(rec.dur_ms)
        writer.raw(b',"span_ms":')
        writer.whole(rec.span_ms)
        writer.raw(b',"end_ms":')
        _millis(writer, end_ms)
        writer.raw(b',"clock":"')
        writer.raw(clock.encode())
        writer.raw(b'","state":"')
        writer.raw(rec.state.encode())
        self._channels(b'","mean":[', rec.mean)
        self._channels(b'],"min":[', rec.min)
        self._channels(b'],"max":[', rec.max)
        writer.raw(b'],"total":[')
        for i in range(len(rec.total)):
            if i:
                writer.raw(b",")
            writer.whole(rec.total[i])
        writer.raw(b"]")
        _put_faults(writer, self._layout.channels, rec.faults)
        writer.raw(b"}")

    def _channels(self, key: bytes, values: "list[int | None]") -> None:
        """Write one number or null for each channel."""
        writer = self._writer
        writer.raw(key)
        for i in range(len(values)):
            if i:
                writer.raw(b",")
            writer.decimal(values[i], self._layout.steps[i])


class LiveEncoder:
    """Fills the message of the newest values."""

    def __init__(self, layout: names.Layout, journal: str, boot: int, message: Message) -> None:
        self._message = message
        self._writer = Writer(message.buffer, message.body, message.size)
        self._layout = layout
        self._keys = _keys(layout.channels)
        self._head = ('{"journal":"%s","boot":%d,"up_ms":' % (journal, boot)).encode()

    def fill(self, now: Snapshot) -> Message:
        """Return the message, ready to be sent."""
        writer = self._writer
        writer.begin()
        writer.raw(self._head)
        writer.whole(now.up_ms)
        writer.raw(b',"at_ms":')
        _millis(writer, now.at_ms)
        writer.raw(b',"clock":"')
        writer.raw(now.clock.encode())
        writer.raw(b'","state":"')
        writer.raw(now.state.encode())
        writer.raw(b'","edge_age_ms":')
        _millis(writer, now.edge_age_ms)
        writer.raw(b',"edge_gap_ms":')
        _millis(writer, now.edge_gap_ms)
        writer.raw(b',"values":')
        for i in range(len(now.values)):
            writer.raw(self._keys[i])
            writer.decimal(now.values[i], self._layout.steps[i])
        writer.raw(b"}" if now.values else b"{}")
        _put_faults(writer, self._layout.channels, now.faults)
        if now.guard is not None:
            writer.raw(b',"guard":')
            writer.value(now.guard)
        if now.parked_ms is not None:
            writer.raw(b',"parked_ms":')
            writer.whole(now.parked_ms)
        writer.raw(b"}")
        if writer.full:
            raise EncodeError("the newest values do not fit in %d bytes" % self._message.size)
        self._message.length = writer.written()
        return self._message


def fill(message: Message, content: "dict[str, object]") -> Message:
    """Write a small or rare message; raise EncodeError when it does not fit."""
    writer = Writer(message.buffer, message.body, message.size)
    writer.value(content)
    if writer.full:
        raise EncodeError("%s does not fit in %d bytes" % (message.topic.decode(), message.size))
    message.length = writer.written()
    return message
