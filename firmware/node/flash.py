"""The journal in flash: what it holds outlives the power.

It offers what `journal.RamJournal` does. New records go into the segment that is being filled, the tail, in
memory at once and to the flash when the tail is full or the oldest record without a receipt has waited for a
minute. So a power cut costs a minute at most, and nothing that the host has. `keep` does the work on the flash;
between two operations the other tasks get their turn.
"""

import asyncio

from micropython import const

from node import names
from node.flash_files import BLOCK, Folder
from node.flash_fold import COARSEST, GRAINS_MS, Joiner
from node.flash_index import Index
from node.flash_pack import shape_of
from node.flash_ring import Ring
from node.flash_scan import name_of, scan, write_head
from node.flash_segment import HEAD_BYTES, SIZE, Segment
from node.records import JournalError, Rec

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable, Generator

WAIT_MS = const(59_000)  # until a record without a receipt goes to the flash; it is there within the minute
LOOK_MS = const(500)
PAUSE_MS = const(10_000)  # after a failure of the flash; twice as long after each more in a row
_DOUBLED_MOST = const(5)
KIB_LEAST = const(40)
_ID_BYTES = const(8)
_ENOENT = const(2)
_ENOSPC = const(28)


class FlashJournal:
    """Records in segments of one block, in a folder, at most `kib` KiB of them.

    id: 16 hex digits, random when the journal was made. boot: number of this boot. oldest, newest: seq of the
    first and the last record held, 0 when none is. top: no seq of this journal is higher. upto: everything up to
    this seq has the host's receipt, as far as this boot knows. lost: records without a receipt that gave way.
    bad: damaged places found. failures: of the flash since boot.

    Raises JournalError where the flash does not even take the number of the boot.
    """

    def __init__(  # noqa: PLR0917 - all of it is needed, once
        self,
        files: Folder,
        kib: int,
        layout: names.Layout,
        random_bytes: "Callable[[int], bytes]",
        now_ms: "Callable[[], int]",
        say: "Callable[[str], None]",
    ) -> None:
        if kib < KIB_LEAST:
            raise JournalError("a journal of %d KiB is too small: give it at least %d" % (kib, KIB_LEAST))
        self.upto = 0
        self.failures = 0
        self._files = files
        self._now_ms = now_ms
        self._say = say
        self._shape = shape_of(layout.channel_mask, layout.total_mask)
        self._tail = Segment()
        self._view = Segment()  # what was read last
        most = kib * 1024 // BLOCK
        self._index = Index(most + 1)
        working = Segment()
        try:
            self._files.make()
            found = scan(self._files, self._index, working, say)
            if not found.journal:
                found.journal = random_bytes(_ID_BYTES)
            self.boot = found.boot + 1
            write_head(self._files, found.journal, self.boot)
        except OSError as error:
            raise JournalError("no journal can be kept in %s (%s)" % (files.path, error)) from error
        self.id = "".join(["%02x" % byte for byte in found.journal])
        self.capacity = most * ((SIZE - HEAD_BYTES) // _typical_bytes(layout))
        self._ring = Ring(self._files, self._index, working, found, most)
        self._last_n = 0
        self._flushed = 0  # bytes of the tail that are on the flash
        self._flushed_count = 0
        self._waiting: list[tuple[int, int]] = []  # seq and time of the records that are not
        self._look_at_room = True
        self._pause_until_ms = 0
        self._failed_in_a_row = 0
        self._job: Generator[None, None, None] | None = None
        self._take_up_tail()

    @property
    def held(self) -> int:
        """How many records are held."""
        return self._index.held + self._tail.count

    @property
    def oldest(self) -> int:
        """The seq of the oldest record held, 0 when none is."""
        return self._index.oldest or (self._tail.seqs[0] if self._tail.count else 0)

    @property
    def newest(self) -> int:
        """The seq of the newest record held, 0 when none is."""
        return self._tail.last or self._index.newest

    @property
    def top(self) -> int:
        """The highest seq that this journal has given out; the start of the boot before the first one."""
        return self.boot * names.SEQ_PER_BOOT + self._last_n

    @property
    def lost(self) -> int:
        """How many records without a receipt gave way to newer ones."""
        return self._ring.lost

    @property
    def bad(self) -> int:
        """How many damaged places were found."""
        return self._ring.bad

    def append(self, rec: Rec) -> None:
        """Keep a record. Raises JournalError for one that does not follow the one before it."""
        if rec.boot != self.boot or rec.n <= self._last_n or not 1 <= rec.first <= rec.n:
            raise JournalError("record %d (from %d) after %d" % (rec.n, rec.first, self._last_n))
        if not self._tail.add(rec, self._shape):
            # `keep` has not come by in time, or the flash takes nothing.
            self._drop_job()
            self._empty_tail()
            if not self._tail.add(rec, self._shape):
                raise JournalError("record %d is longer than a segment" % rec.n)
        self._last_n = rec.n
        self._waiting.append((self.top, self._now_ms()))

    def receipted(self, upto: int) -> None:
        """Take note that the host has everything up to this seq: it may also have less than it said before."""
        self.upto = upto
        self._ring.receipted = upto

    def next(self, seq: int) -> int:
        """Return the seq of the first record held after this seq, 0 when there is none."""
        index = self._index
        k = index.after(seq)
        while k < index.count:
            if index.counts[k]:
                # Looked up in the segment itself, so that nothing is promised that cannot be read.
                view = self._load(k)
                i = view.upto_seq(seq)
                if i < view.count:
                    return view.seqs[i]
            k += 1
        i = self._tail.upto_seq(seq)
        return self._tail.seqs[i] if i < self._tail.count else 0

    def before(self, seq: int) -> int:
        """Return the seq of the record held immediately before this seq, 0 when there is none."""
        i = self._tail.upto_seq(seq - 1)
        if i:
            return self._tail.seqs[i - 1]
        index = self._index
        k = min(index.after(seq - 1), index.count - 1)
        while k >= 0:
            if index.counts[k] and index.lows[k] < seq:
                if index.lasts[k] < seq:
                    return index.lasts[k]
                view = self._load(k)
                i = view.upto_seq(seq - 1)
                if i:
                    return view.seqs[i - 1]
            k -= 1
        return 0

    def read(self, seq: int) -> Rec:
        """Return the record with this seq; raise JournalError when it is not held."""
        tail = self._tail
        i = tail.upto_seq(seq)
        if i and tail.seqs[i - 1] == seq:
            return tail.read(i - 1)
        k = self._index.after(seq - 1)
        if k < self._index.count and self._index.counts[k]:
            view = self._load(k)
            i = view.upto_seq(seq)
            if i and view.seqs[i - 1] == seq:
                return view.read(i - 1)
        raise JournalError("no record %d is held" % seq)

    async def keep(self, beat: "Callable[[], None]") -> None:
        """Do what there is to do on the flash, for ever."""
        while True:
            beat()
            self._job = self.work()
            for _ in self._job:
                beat()
                await asyncio.sleep_ms(0)
            await asyncio.sleep_ms(LOOK_MS)

    def work(self) -> "Generator[None, None, None]":
        """Do what there is to do on the flash now, in steps: run it to its end."""
        if self._now_ms() < self._pause_until_ms:
            return
        try:
            if self._failed_in_a_row:
                self._files.make()  # it may have been wiped
            yield from self._bring()
            if self._look_at_room or self._ring.stale:
                for _ in self._ring.make_room():
                    yield
                    yield from self._bring()
                self._look_at_room = False
            self._failed_in_a_row = 0
        except (OSError, MemoryError) as error:
            self._failed(error)

    def flush(self) -> None:
        """Bring every record to the flash now, without giving others their turn; for the moment before a restart."""
        self._drop_job()
        try:
            if not self._flushed and self._ring.full():
                for _ in self._ring.make_room():
                    pass
            for _ in self._flush():
                pass
        except (OSError, MemoryError) as error:
            self._failed(error)

    def _take_up_tail(self) -> None:
        """Go on with the newest segment, if there is room in it and nothing in it is damaged."""
        index = self._index
        k = index.count - 1
        if k >= 0 and index.grains[k] == 0:
            self._ring.load(k, self._tail)
            if not self._tail.bad and self._tail.count and not self._tail.sealed and not self._tail.full:
                self._flushed = self._tail.used
                self._flushed_count = self._tail.count
                index.remove(k)
                return
        self._ring.begin(self._tail, 0)

    def _due(self) -> bool:
        if self._flushed_count == self._tail.count:
            return False
        if self._tail.full:
            return True
        now_ms = self._now_ms()
        for seq, at_ms in self._waiting:
            if seq > self.upto:
                return now_ms - at_ms >= WAIT_MS
        return False

    def _bring(self) -> "Generator[None, None, None]":
        """Bring to the flash what is due, in steps, and begin another tail when this one is full."""
        if self._due() and (self._flushed or not self._ring.full()):
            yield from self._flush()
        if self._tail.full and self._flushed == self._tail.used:
            self._next_tail()

    def _flush(self) -> "Generator[None, None, None]":
        """Bring what is new in the tail to the flash, in steps."""
        tail = self._tail
        if tail.count == self._flushed_count:
            return
        if tail.full and not tail.sealed:
            tail.seal()
        end = tail.used
        count = tail.count
        if not self._flushed and self._ring.full():
            raise OSError(_ENOSPC)
        try:
            yield from self._files.write(name_of(tail.serial), tail.buffer, self._flushed, end)
        except OSError as error:
            if error.errno == _ENOENT:
                self._flushed = 0  # its file is gone: the next time all of it is written
                self._flushed_count = 0
            raise
        self._flushed = end
        self._flushed_count = count
        last = tail.seqs[count - 1]
        while self._waiting and self._waiting[0][0] <= last:
            self._waiting.pop(0)

    def _next_tail(self) -> None:
        """Begin another tail; this one is on the flash as a whole."""
        self._ring.close(self._tail)
        self._ring.begin(self._tail, 0)
        self._flushed = 0
        self._flushed_count = 0
        self._look_at_room = True

    def _empty_tail(self) -> None:
        """Make room for a record at once, whatever it takes."""
        if self._now_ms() >= self._pause_until_ms:
            self.flush()
        if self._flushed == self._tail.used:
            self._next_tail()
        else:
            self._squeeze()

    def _squeeze(self) -> None:
        """The flash does not take the tail: leave there what it has taken, and make the rest smaller in memory.

        What cannot be made smaller is given up, the older half first.
        """
        tail = self._tail
        begin = self._flushed_count
        fresh = self._ring.out
        for grain in range(COARSEST + 1):
            self._ring.begin(fresh, 0)
            if self._rewrite(begin, fresh, GRAINS_MS[grain]) and fresh.used < SIZE * 3 // 4:
                break
        else:
            half = (begin + tail.count) // 2
            for i in range(begin, half):
                if tail.seqs[i] > self._ring.receipted:
                    self._ring.lost += 1
            self._ring.begin(fresh, 0)
            self._rewrite(half, fresh, 0)
        if begin:
            # The file ends where the flash took no more; the segment is closed there.
            tail.cut(self._flushed, begin)
            self._ring.close(tail)
        else:
            self._ring.stale.append(name_of(tail.serial))
        self._ring.out = tail
        self._tail = fresh
        self._flushed = 0
        self._flushed_count = 0

    def _rewrite(self, begin: int, fresh: Segment, grain_ms: int) -> bool:
        """Write the records of the tail from this one on into another segment, joined; return whether they fit."""
        joiner = Joiner(fresh)
        joiner.begin(fresh, grain_ms)
        for i in range(begin, self._tail.count):
            if not joiner.add(self._tail.read(i)):
                return False
        return joiner.end()

    def _load(self, k: int) -> Segment:
        """Return the segment of row k, read from the flash unless it is the one that was read last."""
        view = self._view
        if view.serial != self._index.serials[k] or not view.count:
            self._ring.load(k, view)
        return view

    def _drop_job(self) -> None:
        """Give up what `keep` is in the middle of: it can be begun again at any time."""
        job = self._job
        self._job = None
        if job is not None:
            try:
                job.close()
            except OSError as error:  # of a file that was open
                self._failed(error)

    def _failed(self, error: Exception) -> None:
        self.failures += 1
        self._look_at_room = True
        self._pause_until_ms = self._now_ms() + (PAUSE_MS << self._failed_in_a_row)
        if self._failed_in_a_row < _DOUBLED_MOST:
            self._failed_in_a_row += 1
        self._say("the flash took nothing (%s); records stay in memory and it is tried again" % error)


def _typical_bytes(layout: names.Layout) -> int:
    """Return how long a record usually is."""
    return 16 + 5 * len(layout.channels) + 2 * len(layout.totals)
