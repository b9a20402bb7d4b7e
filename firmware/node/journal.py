"""The journal: every record of the node in order, until the room is needed again.

This one keeps a ring of packed records in memory, made once and never growing. It ends with the boot, so its
id is new at every start and its boot is always 1. A journal in flash takes its place by offering the same:

    id, boot, capacity, held, oldest, newest, top, lost, upto
    append(rec), receipted(upto), next(seq), before(seq), read(seq)

A record is asked for by its `seq`: `boot * 2^24 + n`, one rising sequence over all boots of a journal.
"""

import struct
from array import array

from node import names
from node.records import JournalError, Rec

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

# n, first, up_ms, dur_ms, span_ms, end_ms (-1: none), clock, state
_HEAD = "<IIQIIqBB"
_NOT_MEASURED = -(1 << 31)
ROOM_BYTES = 64 * 1024  # five hours at a record a minute, fifty minutes at one in ten seconds


class RamJournal:
    """Packed records in a ring.

    id: 16 hex digits, random. boot: 1. capacity, held: in records, of `record_bytes` each. oldest, newest: seq of the first and the last
    record held, 0 when none is. top: no seq of this journal is higher. upto: everything up to this seq has the
    host's receipt. lost: how many records without a receipt gave way to newer ones.
    """

    def __init__(
        self, layout: names.Layout, random_bytes: "Callable[[int], bytes]", room: int = ROOM_BYTES
    ) -> None:
        self.id = "".join(["%02x" % byte for byte in random_bytes(8)])
        self.boot = 1
        self.held = 0
        self.upto = 0
        self.lost = 0
        self._channels = len(layout.channels)
        self._head_size = struct.calcsize(_HEAD)
        self._body = "<%di%dB%dQ" % (3 * self._channels, self._channels, len(layout.totals))
        self.record_bytes = self._head_size + struct.calcsize(self._body)
        self.capacity = room // self.record_bytes
        if not self.capacity:
            raise JournalError(
                "a journal of %d bytes has no room for records of %d" % (room, self.record_bytes)
            )
        self._ring = bytearray(self.capacity * self.record_bytes)
        self._numbers = array("I", [0] * self.capacity)  # `n` of the record in each place
        self._first = 0  # place of the oldest record
        self._last_n = 0

    @property
    def oldest(self) -> int:
        """The seq of the oldest record held, 0 when none is."""
        return self._seq(0) if self.held else 0

    @property
    def newest(self) -> int:
        """The seq of the newest record held, 0 when none is."""
        return self._seq(self.held - 1) if self.held else 0

    @property
    def top(self) -> int:
        """The highest seq that this journal has given out; the start of the boot before the first one."""
        return self.boot * names.SEQ_PER_BOOT + self._last_n

    def append(self, rec: Rec) -> None:
        """Keep a record; when there is no room the oldest gives way.

        Receipts go up to a seq, so the oldest record has one unless none has: what the host holds goes first.
        Raises JournalError for a record that does not follow the one before it.
        """
        if rec.boot != self.boot or rec.n <= self._last_n or not 1 <= rec.first <= rec.n:
            raise JournalError("record %d (from %d) after %d" % (rec.n, rec.first, self._last_n))
        if self.held == self.capacity:
            if self.oldest > self.upto:
                self.lost += 1
            self._first = (self._first + 1) % self.capacity
            self.held -= 1
        place = (self._first + self.held) % self.capacity
        self._pack(place * self.record_bytes, rec)
        self._numbers[place] = rec.n
        self._last_n = rec.n
        self.held += 1

    def receipted(self, upto: int) -> None:
        """Take note that the host has everything up to this seq: it may also have less than it said before."""
        self.upto = upto

    def next(self, seq: int) -> int:
        """Return the seq of the first record held after this seq, 0 when there is none."""
        i = self._count_upto(seq)
        return self._seq(i) if i < self.held else 0

    def before(self, seq: int) -> int:
        """Return the seq of the record held immediately before this seq, 0 when there is none."""
        i = self._count_upto(seq - 1)
        return self._seq(i - 1) if i else 0

    def read(self, seq: int) -> Rec:
        """Return the record with this seq; raise JournalError when it is not held."""
        i = self._count_upto(seq)
        if not i or self._seq(i - 1) != seq:
            raise JournalError("no record %d is held" % seq)
        return self._unpack((self._first + i - 1) % self.capacity * self.record_bytes)

    def _seq(self, i: int) -> int:
        return self.boot * names.SEQ_PER_BOOT + self._numbers[(self._first + i) % self.capacity]

    def _count_upto(self, seq: int) -> int:
        """Return how many of the records held have a seq up to this one."""
        low = 0
        high = self.held
        while low < high:
            middle = (low + high) // 2
            if self._seq(middle) <= seq:
                low = middle + 1
            else:
                high = middle
        return low

    def _pack(self, at: int, rec: Rec) -> None:
        clock = names.CLOCKS.index(rec.clock)
        state = names.STATES.index(rec.state)
        end_ms = -1 if rec.end_ms is None else rec.end_ms
        struct.pack_into(
            _HEAD, self._ring, at, rec.n, rec.first, rec.up_ms, rec.dur_ms, rec.span_ms, end_ms, clock, state
        )
        values = [_NOT_MEASURED if value is None else value for value in rec.mean + rec.min + rec.max]
        values.extend([0 if code is None else names.FAULTS.index(code) + 1 for code in rec.faults])
        values.extend(rec.total)
        struct.pack_into(self._body, self._ring, at + self._head_size, *values)

    def _unpack(self, at: int) -> Rec:
        n, first, up_ms, dur_ms, span_ms, end_ms, clock, state = struct.unpack_from(_HEAD, self._ring, at)
        body = struct.unpack_from(self._body, self._ring, at + self._head_size)
        c = self._channels
        values = [None if value == _NOT_MEASURED else value for value in body[: 3 * c]]
        return Rec(
            n,
            first,
            self.boot,
            up_ms,
            dur_ms,
            span_ms,
            None if end_ms < 0 else end_ms,
            names.CLOCKS[clock],
            names.STATES[state],
            values[:c],
            values[c : 2 * c],
            values[2 * c :],
            list(body[4 * c :]),
            [names.FAULTS[code - 1] if code else None for code in body[3 * c : 4 * c]],
        )
