"""Records as few bytes: each is told against a key record before it, and checked by a CRC-32.

A frame is the length of its body (one or two bytes), the body, and the CRC of both. A key record tells all its
numbers in full, and the boot and layout for itself and the records after it. Those tell differences to the key
record, never to each other, so that a damaged one costs only itself. Their CRC begins with that of their key
record: against another one they do not check.

Numbers are written in groups of seven bits, least first, with the top bit set in all but the last byte. A signed
number is doubled, and made odd where it is negative.
"""

import binascii
import struct

from micropython import const

from node import names
from node.records import Rec

# The first byte of a body; the state (three bits) and the clock (two) are in the middle.
_KEY = const(1)
_STATE = const(1)
_CLOCK = const(4)
_WHOLE = const(64)  # every channel was measured
_DATED = const(128)
_SEVEN_BITS = const(127)
_MORE = const(128)  # another byte follows
_BODY_LEAST = const(6)
_LENGTH_MOST = const(0x3FFF)
CRC_BYTES = const(4)
_SHAPES_MOST = 4


class Shape:
    """A layout, and which of its totals are times: they grow either with the clock or not at all."""

    __slots__ = ("layout", "times")

    def __init__(self, layout: names.Layout) -> None:
        self.layout = layout
        self.times = tuple([name.endswith("_ms") for name in layout.totals])


_shapes: "dict[tuple[int, int], Shape]" = {}


def shape_of(channel_mask: int, total_mask: int) -> Shape:
    """Return the shape of a layout; made once for each, as nearly all records share one."""
    key = (channel_mask, total_mask)
    shape = _shapes.get(key)
    if shape is None:
        if len(_shapes) >= _SHAPES_MOST:
            _shapes.clear()
        shape = _shapes[key] = Shape(names.Layout(channel_mask, total_mask))
    return shape


def shape_for(rec: Rec) -> Shape:
    """Return the shape of a record that was read from flash."""
    layout = rec.layout
    if layout is None:
        raise ValueError("a record from flash has no layout")
    return shape_of(layout.channel_mask, layout.total_mask)


class Base:
    """The numbers against which records are told: those of a key record, or zeros for a key record itself."""

    __slots__ = ("anchor_ms", "boot", "crc", "mean", "n", "shape", "total", "up_ms")

    def __init__(self, shape: Shape, boot: int) -> None:
        self.shape = shape
        self.boot = boot
        self.crc = 0
        self.n = 0
        self.up_ms = 0
        self.anchor_ms = 0
        self.mean: list[int] = [0] * len(shape.layout.channels)
        self.total: list[int] = [0] * len(shape.layout.totals)

    def take(self, rec: Rec, crc: int) -> None:
        """Become the base that this key record, which has this CRC, gives."""
        self.crc = crc
        self.n = rec.n
        self.up_ms = rec.up_ms
        self.anchor_ms = 0 if rec.end_ms is None else rec.end_ms - rec.up_ms
        self.mean = [0 if mean is None else mean for mean in rec.mean]
        self.total = rec.total

    def carries(self, rec: Rec, shape: Shape) -> bool:
        """Say whether a record can be told against this one."""
        if rec.boot != self.boot or shape is not self.shape or rec.n <= self.n or rec.up_ms < self.up_ms:
            return False
        total = self.total
        return all(value >= total[i] for i, value in enumerate(rec.total))


class Codec:
    """Writes frames into a buffer, up to `room` bytes of it, and reads them. `crc`: of the frame last written or checked."""

    __slots__ = ("_at", "_buffer", "_room", "_view", "crc")

    def __init__(self, buffer: bytearray, room: int) -> None:
        self._buffer = buffer
        self._room = room
        self._view = memoryview(buffer)
        self._at = 0
        self.crc = 0

    def pack(self, at: int, rec: Rec, base: Base, seed: int, *, key: bool) -> int:
        """Write a record at `at`; return where it ends, or 0 when it does not fit into the buffer.

        base: a key record's, or zeros if this is one. seed: what the CRC begins with.
        """
        self._at = at + 1
        try:
            self._body(rec, base, key=key)
            length = self._at - at - 1
            start = at + 1
            if start + length + 1 + CRC_BYTES > self._room:
                return 0
            if length > _SEVEN_BITS:
                # The length takes a second byte: make room for it.
                self._buffer[start + 1 : start + 1 + length] = self._view[start : start + length]
                self._buffer[at] = length & _SEVEN_BITS | _MORE
                self._buffer[start] = length >> 7
                start += 1
            else:
                self._buffer[at] = length
            end = start + length
            self.crc = binascii.crc32(self._view[at:end], seed)
            struct.pack_into("<I", self._buffer, end, self.crc)
        except IndexError:  # the end of the buffer
            return 0
        return end + CRC_BYTES

    def check(self, at: int, size: int, seed: int, key_crc: int) -> int:
        """Return where the frame at `at` ends if it is whole and its CRC is right, else 0.

        seed: what the CRC of a key record begins with; key_crc: what that of others does. `body` and `is_key` then
        speak of this frame.
        """
        buffer = self._buffer
        length = buffer[at]
        start = at + 1
        if length > _SEVEN_BITS:
            if start >= size:
                return 0
            length = length & _SEVEN_BITS | buffer[start] << 7
            start += 1
        end = start + length
        if length < _BODY_LEAST or length > _LENGTH_MOST or end + CRC_BYTES > size:
            return 0
        crc = binascii.crc32(self._view[at:end], seed if buffer[start] & _KEY else key_crc)
        if struct.unpack_from("<I", buffer, end)[0] != crc:
            return 0
        self.crc = crc
        self._at = start
        return end + CRC_BYTES

    def is_key(self) -> bool:
        """Say whether the frame last checked is a key record."""
        return bool(self._buffer[self._at] & _KEY)

    def numbers(self) -> "tuple[int, int]":
        """Return by how much `n` and `first` of the frame last checked, not a key record, lie beyond its base's `n`."""
        self._at += 1
        n = self._get()
        return n, n - self._get()

    def unpack(self, at: int, base: "Base | None") -> "tuple[Rec, Base]":
        """Return the record of a frame that has been checked, and its base (zeros if it is a key record)."""
        self._at = at + (2 if self._buffer[at] > _SEVEN_BITS else 1)
        flags = self._buffer[self._at]
        self._at += 1
        if flags & _KEY or base is None:
            boot = self._get()
            channel_mask = self._get()
            base = Base(shape_of(channel_mask, self._get()), boot)
        n = base.n + self._get()
        first = n - self._get()
        elapsed_ms = self._get()
        up_ms = base.up_ms + elapsed_ms
        span_ms = self._get()
        dur_ms = span_ms - self._get_signed()
        end_ms = up_ms + base.anchor_ms + self._get_signed() if flags & _DATED else None
        count = len(base.mean)
        faults: list[str | None] = [None] * count
        mean: list[int | None] = [None] * count
        least: list[int | None] = [None] * count
        most: list[int | None] = [None] * count
        measured = None if flags & _WHOLE else self._marks(faults)
        for i in range(count):
            if measured is None or measured >> i & 1:
                value = base.mean[i] + self._get_signed()
                mean[i] = value
                least[i] = value - self._get_signed()
                most[i] = value + self._get_signed()
        rec = Rec(
            n,
            first,
            base.boot,
            up_ms,
            dur_ms,
            span_ms,
            end_ms,
            names.CLOCKS[flags >> _CLOCK & 3],
            names.STATES[flags >> _STATE & 7],
            mean,
            least,
            most,
            self._totals(base, elapsed_ms),
            faults,
            base.shape.layout,
        )
        return rec, base

    def _body(self, rec: Rec, base: Base, *, key: bool) -> None:
        whole = None not in rec.mean
        flags = names.STATES.index(rec.state) << _STATE | names.CLOCKS.index(rec.clock) << _CLOCK
        flags |= (_KEY if key else 0) | (_WHOLE if whole else 0) | (0 if rec.end_ms is None else _DATED)
        self._buffer[self._at] = flags
        self._at += 1
        if key:
            self._put(rec.boot)
            self._put(base.shape.layout.channel_mask)
            self._put(base.shape.layout.total_mask)
        elapsed_ms = rec.up_ms - base.up_ms
        self._put(rec.n - base.n)
        self._put(rec.n - rec.first)
        self._put(elapsed_ms)
        self._put(rec.span_ms)
        self._put_signed(rec.span_ms - rec.dur_ms)
        if rec.end_ms is not None:
            self._put_signed(rec.end_ms - rec.up_ms - base.anchor_ms)
        if not whole:
            for i, code in enumerate(rec.faults):
                missing = 1 if code is None else names.FAULTS.index(code) + 2
                self._put(missing if rec.mean[i] is None else 0)
        self._put_values(rec, base)
        self._put_totals(rec, base, elapsed_ms)

    def _put_values(self, rec: Rec, base: Base) -> None:
        for i, mean in enumerate(rec.mean):
            if mean is not None:
                least = rec.min[i]
                most = rec.max[i]
                self._put_signed(mean - base.mean[i])
                self._put_signed(0 if least is None else mean - least)
                self._put_signed(0 if most is None else most - mean)

    def _put_totals(self, rec: Rec, base: Base, elapsed_ms: int) -> None:
        times = base.shape.times
        for i, total in enumerate(rec.total):
            grown = total - base.total[i]
            if times[i]:
                # Doubled, or what it lacks of the whole time doubled and made odd: one byte for all and for nothing.
                rest = elapsed_ms - grown
                self._put(2 * rest + 1 if 0 <= rest < grown else 2 * grown)
            else:
                self._put(grown)

    def _marks(self, faults: "list[str | None]") -> int:
        """Read which channels were measured, as bits, and why the others were not."""
        measured = 0
        for i in range(len(faults)):
            code = self._get()
            if code == 0:
                measured |= 1 << i
            elif code > 1:
                faults[i] = names.FAULTS[code - 2]
        return measured

    def _totals(self, base: Base, elapsed_ms: int) -> "list[int]":
        times = base.shape.times
        totals = []
        for i, before in enumerate(base.total):
            value = self._get()
            if times[i]:
                value = elapsed_ms - (value >> 1) if value & 1 else value >> 1
            totals.append(before + value)
        return totals

    def _put(self, value: int) -> None:
        buffer = self._buffer
        at = self._at
        while value > _SEVEN_BITS:
            buffer[at] = value & _SEVEN_BITS | _MORE
            value >>= 7
            at += 1
        buffer[at] = value
        self._at = at + 1

    def _put_signed(self, value: int) -> None:
        self._put(2 * value if value >= 0 else -2 * value - 1)

    def _get(self) -> int:
        buffer = self._buffer
        at = self._at
        byte = buffer[at]
        value = byte & _SEVEN_BITS
        shift = 7
        while byte > _SEVEN_BITS:
            at += 1
            byte = buffer[at]
            value |= (byte & _SEVEN_BITS) << shift
            shift += 7
        self._at = at + 1
        return value

    def _get_signed(self) -> int:
        value = self._get()
        return -(value >> 1) - 1 if value & 1 else value >> 1
