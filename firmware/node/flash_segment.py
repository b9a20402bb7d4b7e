"""A segment: as many records as one block of flash takes, as bytes in memory, to write or to read.

It begins with a head: mark, journal, serial number, grain, what was receipted when it was begun, and a CRC.
A damaged record costs itself; a damaged key record also those that are told against it.
"""

import binascii
import struct
from array import array

from micropython import const

from node import names
from node.flash_pack import Base, Codec, Shape
from node.records import Rec

SIZE = const(4096)  # one block
MOST = const(128)  # records in a segment
_MARK = b"wps1"
_HEAD = "<4s8sIBQ"
_CRC_AT = const(25)
HEAD_BYTES = const(29)


class Segment:
    """One segment in memory. `start` a new one and `add` to it, or put bytes into `buffer` and `load` them.

    serial: number of its file. journal: id of the journal, 8 bytes. grain: how far its records were folded
    (index into `flash_fold.GRAINS_MS`). upto: seq up to which the host had given receipts when it was begun.
    used: bytes. count: records. bad: stretches of bytes that are no record. seqs: of its records, in order.
    largest: bytes of the longest record that is not a key record.
    """

    __slots__ = (
        "_base", "_codec", "_keys", "_offsets", "_read_at", "_read_base", "_seed",
        "bad", "buffer", "count", "grain", "journal", "largest", "seqs", "serial", "upto", "used",
    )  # fmt: skip

    def __init__(self) -> None:
        self.buffer = bytearray(SIZE)
        self.seqs = array("Q", [0] * MOST)
        self._offsets = array("H", [0] * MOST)
        self._keys = array("H", [0] * MOST)  # where the key record of each record is
        self._codec = Codec(self.buffer)
        self._clear()

    def _clear(self) -> None:
        self.serial = 0
        self.journal = b""
        self.grain = 0
        self.upto = 0
        self.used = 0
        self.count = 0
        self.bad = 0
        self.largest = 0
        self._seed = 0
        self._base: Base | None = None  # of the newest record
        self._read_at = 0  # of the key record that was decoded last, 0 for none ...
        self._read_base: Base | None = None  # ... and the base that it gives

    @property
    def first(self) -> int:
        """The lowest number that its first record covers, as a seq; 0 when it is empty."""
        if not self.count:
            return 0
        rec = self.read(0)
        return rec.boot * names.SEQ_PER_BOOT + rec.first

    @property
    def last(self) -> int:
        """The seq of its last record; 0 when it is empty."""
        return self.seqs[self.count - 1] if self.count else 0

    def start(self, journal: bytes, serial: int, grain: int, upto: int) -> None:
        """Begin a new, empty segment."""
        self._clear()
        self.journal = journal
        self.serial = serial
        self.grain = grain
        self.upto = upto
        struct.pack_into(_HEAD, self.buffer, 0, _MARK, journal, serial, grain, upto)
        self._seed = binascii.crc32(memoryview(self.buffer)[:_CRC_AT])
        struct.pack_into("<I", self.buffer, _CRC_AT, self._seed)
        self.used = HEAD_BYTES

    def add(self, rec: Rec, shape: Shape) -> bool:
        """Write a record at the end; return False when it does not fit."""
        if self.count == MOST:
            return False
        at = self.used
        base = self._base
        if base is not None and base.carries(rec, shape):
            end = self._codec.pack(at, rec, base, base.crc, key=False)
            if not end:
                return False
            self.largest = max(self.largest, end - at)
            self._keys[self.count] = self._keys[self.count - 1]
        else:
            base = Base(shape, rec.boot)
            end = self._codec.pack(at, rec, base, self._seed, key=True)
            if not end:
                return False
            base.take(rec, self._codec.crc)
            self._base = base
            self._keys[self.count] = at
        self._offsets[self.count] = at
        self.seqs[self.count] = rec.boot * names.SEQ_PER_BOOT + rec.n
        self.count += 1
        self.used = end
        return True

    def cut(self, used: int, count: int) -> None:
        """End after so many bytes, which are so many records; nothing more can be added."""
        self.used = used
        self.count = count

    def load(self, size: int, floor: int = 0) -> bool:
        """Take `size` bytes that were read into the buffer; records that begin up to the seq `floor` are passed over.

        Returns False when the head is no head of a segment. Whatever is damaged is passed over and counted.
        """
        self._clear()
        if size < HEAD_BYTES:
            return False
        mark, self.journal, self.serial, self.grain, self.upto = struct.unpack_from(_HEAD, self.buffer, 0)
        self._seed = binascii.crc32(memoryview(self.buffer)[:_CRC_AT])
        if mark != _MARK or struct.unpack_from("<I", self.buffer, _CRC_AT)[0] != self._seed:
            return False
        at = HEAD_BYTES
        sound = True
        while at < size:
            end = self._step(at, size, floor)
            if end:
                at = end
                sound = True
                continue
            if sound:
                sound = False
                self.bad += 1
            at += 1
        self.used = size
        return True

    def _step(self, at: int, size: int, floor: int) -> int:
        """Note the record at `at`; return where it ends, or 0 if there is none."""
        codec = self._codec
        base = self._base
        end = codec.check(at, size, self._seed, base.crc if base is not None else 0)
        if not end:
            return 0
        count = self.count
        if codec.is_key():
            rec, base = codec.unpack(at, None)
            base.take(rec, codec.crc)
            seq = rec.boot * names.SEQ_PER_BOOT + rec.n
            first = seq - rec.n + rec.first
            key = at
        elif base is None:
            return 0
        else:
            n, first = codec.numbers()
            seq = base.boot * names.SEQ_PER_BOOT + base.n
            first += seq
            seq += n
            key = self._read_at
            self.largest = max(self.largest, end - at)
        if count == MOST or (count and seq <= self.seqs[count - 1]):
            return 0
        self._base = base
        self._read_at = key
        self._read_base = base
        if first > floor:
            self._offsets[count] = at
            self._keys[count] = key
            self.seqs[count] = seq
            self.count = count + 1
        return end

    def upto_seq(self, seq: int) -> int:
        """Return how many of its records have a seq up to this one."""
        low = 0
        high = self.count
        while low < high:
            middle = (low + high) // 2
            if self.seqs[middle] <= seq:
                low = middle + 1
            else:
                high = middle
        return low

    def read(self, i: int) -> Rec:
        """Return a record by its place."""
        at = self._offsets[i]
        key = self._keys[i]
        if key == at:
            return self._codec.unpack(at, None)[0]
        if self._read_at != key:
            rec, base = self._codec.unpack(key, None)
            base.take(rec, 0)
            self._read_at = key
            self._read_base = base
        return self._codec.unpack(at, self._read_base)[0]
