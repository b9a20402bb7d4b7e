"""Making room: old segments are folded, and only when nothing folds any more the oldest is given up.

A receipt alone frees nothing: what the host has may be asked for again. Segments that the host has are folded
first, oldest first, then the others. Of the grains the one that fills most segments is folded, so that old records
become coarse while young ones stay fine, and each is folded three times at most. A folded segment is filled to
the brim and is on the flash before those it was made of are deleted. The last of those may be left with records
that had no room any more; the others in it are passed over from then on, as a later boot finds out by itself.
"""

from micropython import const

from node.flash_files import Folder
from node.flash_fold import COARSEST, GRAINS_MS, Joiner
from node.flash_index import Index
from node.flash_scan import Found, name_of
from node.flash_segment import SIZE, Segment

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Generator, Iterator

FREE_BLOCKS = const(8)  # that the journal leaves to the file system, whatever happens
# Segments that may still be written before room must have been made: one that is being filled, one folded.
_IN_HAND = const(2)
_FEWEST = const(4)  # so many segments are kept, even where others have filled the file system
# A segment that is less full than this is folded once more, with the next ones.
_PARTLY = SIZE * 7 // 8
_TWO = const(2)  # segments that one must take the place of, so that a block comes free
_AT_ONCE = const(4)  # records joined before others get their turn


class Ring:
    """The closed segments. `make_room` when `short`.

    most: how many segments there may be. receipted: everything up to this seq is known to be at the host.
    lost: records without a receipt that were given up. bad: damaged places found. stale: names of files that are
    not needed any more. out: a segment to write into, free while no `make_room` is under way.
    """

    def __init__(self, files: Folder, index: Index, view: Segment, found: Found, most: int) -> None:
        self.most = most
        self.receipted = found.upto
        self.lost = 0
        self.bad = found.bad
        self.out = Segment()
        self.stale: list[str] = found.covered
        self._files = files
        self._index = index
        self._view = view
        self._journal = found.journal
        self._serial = found.serial
        self._floors = found.floors
        self._wrecks = found.wrecks
        self._joiner = Joiner(self.out)

    def begin(self, segment: Segment, grain: int) -> None:
        """Begin a segment, whose file has a number that no other had."""
        self._serial += 1
        segment.start(self._journal, self._serial, grain, self.receipted)

    def close(self, segment: Segment) -> None:
        """Take over a segment that is on the flash, behind all others."""
        self._index.put(self._index.count, segment)

    def load(self, k: int, view: Segment) -> None:
        """Read the segment of row k; one that cannot be read comes out empty, and the damage is counted."""
        self._read(k, view)
        if view.count != self._index.counts[k]:
            self.bad += 1
            self._index.set(k, view)

    def _read(self, k: int, view: Segment) -> None:
        serial = self._index.serials[k]
        try:
            size = min(self._files.read_into(name_of(serial), view.buffer), self._index.sizes[k])
        except OSError:
            size = 0
        if view.load(size, self._floors.get(serial, 0)) and view.serial != serial:
            view.load(0)

    def short(self) -> bool:
        """Say whether room must be made."""
        if self._index.count + len(self._wrecks) > self.most - _IN_HAND:
            return True
        free = self._files.free_blocks()
        return free is not None and free < FREE_BLOCKS + _IN_HAND and self._index.count > _FEWEST

    def full(self) -> bool:
        """Say whether not even one more segment may be written."""
        free = self._files.free_blocks()
        return self._index.count + len(self._wrecks) >= self.most or (
            free is not None and free <= FREE_BLOCKS
        )

    def sweep(self) -> "Iterator[None]":
        """Delete files that are not needed any more, in steps."""
        while self.stale:
            yield
            self._files.remove(self.stale.pop())

    def make_room(self) -> "Iterator[None]":
        """Fold or give up segments until there is room again, in steps: run it to its end."""
        yield from self.sweep()
        while self.short():
            yield from self._gain()
            yield from self.sweep()

    def _gain(self) -> "Iterator[None]":
        """Free at least one block."""
        if self._wrecks:
            self.stale.append(self._wrecks.pop())
            return
        index = self._index
        for upto in (self.receipted, 0):
            rows = index.after(upto) if upto else index.count
            while True:
                run = self._run(rows)
                if run is None:
                    break
                if (yield from self._fold(run[0], run[1], run[2])):
                    return
        self._give_up()

    def _run(self, rows: int) -> "tuple[int, int, int] | None":
        """Return what to fold next, of the first `rows`: a row, the one after the last, and how far to fold them."""
        index = self._index
        grains = index.grains
        filled = [0] * (COARSEST + 1)
        for k in range(rows):
            filled[grains[k]] += 1
        for _ in range(COARSEST):
            most = max(filled[:COARSEST])
            if not most:
                break
            grain = filled.index(most)
            filled[grain] = 0
            begin = 0
            while grains[begin] != grain:
                begin += 1
            end = begin + 1
            while end < rows and grains[end] == grain:
                end += 1
            if begin and grains[begin - 1] == grain + 1 and index.sizes[begin - 1] < _PARTLY:
                begin -= 1
            while end < rows and end - begin < _TWO and grains[end] < grain:
                end += 1  # a single one goes with a finer one, else no block would come free
            if end - begin >= _TWO:
                return begin, end, grain + 1
        return None

    def _fold(self, begin: int, end: int, grain: int) -> "Generator[None, None, bool]":
        """Join neighbouring segments into one, as much as goes into it; return whether a block came free."""
        index = self._index
        self.begin(self.out, grain)
        self._joiner.begin(self.out, GRAINS_MS[grain])
        row = begin
        while row < end and (yield from self._join(row)):
            row += 1
        if row == end:
            self._joiner.end()
        last = self.out.last
        row = begin
        while row < end and (index.lasts[row] <= last or not index.counts[row]):
            row += 1
        if row < begin + _TWO:
            # No block comes free. The one before stays out of it the next time, or this one is as coarse as it gets.
            if index.grains[begin] == grain:
                index.sizes[begin] = SIZE
            else:
                index.grains[begin] = grain
            return False
        if self.out.count:
            self.out.seal()
            yield from self.write(self.out)
        if row < end and index.firsts[row] <= last:
            self._floors[index.serials[row]] = last
            self._read(row, self._view)
            index.set(row, self._view)
        for k in range(begin, row):
            self._forget(index.serials[k])
        index.remove(begin, row - begin)
        if self.out.count:
            index.put(begin, self.out)
        return True

    def _join(self, row: int) -> "Generator[None, None, bool]":
        """Join the records of a segment to those before; return whether all of them had room."""
        self.load(row, self._view)
        for i in range(self._view.count):
            if i % _AT_ONCE == 0:
                yield
            if not self._joiner.add(self._view.read(i)):
                return False
        return True

    def write(self, segment: Segment) -> "Iterator[None]":
        """Write a whole segment as a new file, in steps."""
        name = name_of(segment.serial)
        self.stale.append(name)  # until it is complete
        yield from self._files.write(name, segment.buffer, 0, segment.used)
        self.stale.remove(name)

    def _give_up(self) -> None:
        """Give up the oldest segment."""
        index = self._index
        count = index.counts[0]
        if index.lasts[0] > self.receipted and count:
            if index.lows[0] <= self.receipted:
                self.load(0, self._view)
                count -= self._view.upto_seq(self.receipted)
            self.lost += count
        self._forget(index.serials[0])
        index.remove(0)

    def _forget(self, serial: int) -> None:
        self.stale.append(name_of(serial))
        self._floors.pop(serial, None)
