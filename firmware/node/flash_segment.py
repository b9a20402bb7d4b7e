"""A segment: as many records as one block of flash takes, as bytes in memory, to write or to read.

It begins with a head: mark, journal, serial number, grain, what was receipted when it was begun, and a CRC. One that
is complete ends with a seal, which says what is in it and has a CRC of everything before: so that a boot need not
read every record. A damaged record costs itself; a damaged key record also those that are told against it.
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
_ROOMY = const(16)  # bytes by which the next record may be longer than the longest one so far
_MARK = b"wps1"
_HEAD = "<4s8sIBQ"
_CRC_AT = const(25)
HEAD_BYTES = const(29)
_SEAL_MARK = b"wpse"
_SEAL = "<4sBQQQ"  # count, first, low, last; and a CRC
_SEAL_BYTES = const(33)


class Segment:
    """One segment in memory. `start` a new one and `add` to it, or put bytes into `buffer` and `load` them.

    serial: number of its file. journal: id of the journal, 8 bytes. grain: how far its records were folded
    (index into `flash_fold.GRAINS_MS`). upto: seq up to which the host had given receipts when it was begun.
    used: bytes. count: records. bad: stretches of bytes that are no record. sealed: whether it is complete. seqs: of
    its records, in order. first: lowest number that it covers, as a seq; low, last: seq of its first and last record;
    all 0 when it is empty. largest: bytes of the longest record that is not a key record.
    """

    __slots__ = (
        "_base", "_codec", "_keys", "_offsets", "_read_at", "_read_base", "_seed",
        "bad", "buffer", "count", "first", "grain", "journal", "largest", "last", "low", "sealed", "seqs", "serial",
        "upto", "used",
    )  # fmt: skip

    def __init__(self) -> None:
        self.buffer = bytearray(SIZE)
        self.seqs = array("Q", [0] * MOST)
        self._offsets = array("H", [0] * MOST)
        self._keys = array("H", [0] * MOST)  # where the key record of each record is
        self._codec = Codec(self.buffer, SIZE - _SEAL_BYTES)
        self._clear()

    def _clear(self) -> None:
        self.serial = 0
        self.journal = b""
        self.grain = 0
        self.upto = 0
        self.used = 0
        self.count = 0
        self.bad = 0
        self.sealed = False
        self.first = 0
        self.low = 0
        self.last = 0
        self.largest = 0
        self._seed = 0
        self._base: Base | None = None  # of the newest record
        self._read_at = 0  # of the key record that was decoded last, 0 for none ...
        self._read_base: Base | None = None  # ... and the base that it gives

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
        if self.full or self.sealed:
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
        boot = rec.boot * names.SEQ_PER_BOOT
        self._note(at, boot + rec.first, boot + rec.n)
        self.used = end
        return True

    @property
    def full(self) -> bool:
        """Whether another record like the longest so far may not fit any more."""
        return self.count == MOST or self.used + self.largest + _ROOMY > SIZE - _SEAL_BYTES

    def seal(self) -> None:
        """Say in it that it is complete, and what is in it."""
        at = self.used
        end = at + _SEAL_BYTES - 4
        struct.pack_into(_SEAL, self.buffer, at, _SEAL_MARK, self.count, self.first, self.low, self.last)
        struct.pack_into("<I", self.buffer, end, binascii.crc32(memoryview(self.buffer)[:end]))
        self.used = end + 4
        self.sealed = True

    def _note(self, at: int, first: int, seq: int) -> None:
        if not self.count:
            self.first = first
            self.low = seq
        self._offsets[self.count] = at
        self.seqs[self.count] = seq
        self.count += 1
        self.last = seq

    def cut(self, used: int, count: int) -> None:
        """End after so many bytes, which are so many records; nothing more can be added."""
        self.used = used
        self.count = count
        self.last = self.seqs[count - 1]

    def load(self, size: int, floor: int = 0) -> bool:
        """Take `size` bytes that were read into the buffer; records that begin up to the seq `floor` are passed over.

        Returns False when the head is no head of a segment. Whatever is damaged is passed over and counted.
        """
        if not self._load_head(size):
            return False
        self.used = size
        if (
            size >= HEAD_BYTES + _SEAL_BYTES
            and self.buffer[size - _SEAL_BYTES : size - _SEAL_BYTES + 4] == _SEAL_MARK
        ):
            size -= _SEAL_BYTES
            self.sealed = True
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
        return True

    def look(self, size: int) -> bool:
        """Do what `load` does, but believe a right seal: then its records can not be read, only what it says of them."""
        if not self._load_head(size):
            return False
        at = size - _SEAL_BYTES
        if at >= HEAD_BYTES:
            mark, count, first, low, last = struct.unpack_from(_SEAL, self.buffer, at)
            crc = struct.unpack_from("<I", self.buffer, size - 4)[0]
            if mark == _SEAL_MARK and crc == binascii.crc32(memoryview(self.buffer)[: size - 4]):
                self.count, self.first, self.low, self.last = count, first, low, last
                self.used = size
                self.sealed = True
                return True
        return self.load(size)

    def _load_head(self, size: int) -> bool:
        self._clear()
        if size < HEAD_BYTES:
            return False
        mark, self.journal, self.serial, self.grain, self.upto = struct.unpack_from(_HEAD, self.buffer, 0)
        self._seed = binascii.crc32(memoryview(self.buffer)[:_CRC_AT])
        return bool(mark == _MARK and struct.unpack_from("<I", self.buffer, _CRC_AT)[0] == self._seed)

    def _step(self, at: int, size: int, floor: int) -> int:
        """Note the record at `at`; return where it ends, or 0 if there is none."""
        codec = self._codec
        base = self._base
        end = codec.check(at, size, self._seed, base.crc if base is not None else 0)
        if not end:
            return 0
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
        if self.count == MOST or seq <= self.last:
            return 0
        self._base = base
        self._read_at = key
        self._read_base = base
        if first > floor:
            self._keys[self.count] = key
            self._note(at, first, seq)
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
