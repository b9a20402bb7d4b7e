"""Making room: old segments are folded, and only when nothing folds any more the oldest is given up.

A receipt alone frees nothing: what the host has may be asked for again. Segments that the host has are folded
first, oldest first, then the others. Of the grains the one that fills most segments is folded, so that old records
become coarse while young ones stay fine, and each is folded three times at most. A folded segment is on the
flash before those it was made of are deleted.
"""

from micropython import const

from node.flash_files import Folder
from node.flash_fold import COARSEST, GRAINS_MS, Group
from node.flash_index import Index
from node.flash_pack import Shape, shape_of
from node.flash_scan import Found, name_of
from node.flash_segment import SIZE, Segment

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Iterator

    from node.records import Rec

FREE_BLOCKS = const(8)  # that the journal leaves to the file system, whatever happens
# Segments that may still be written before room must have been made: one that is being filled, one folded.
_IN_HAND = const(2)
_FEWEST = const(4)  # so many segments are kept, even where others have filled the file system
# A segment that is less full than this is folded once more, with the next ones.
_PARTLY = const(SIZE * 3 // 4)
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
        self._group = Group()

    def begin(self, segment: Segment, grain: int) -> None:
        """Begin a segment, whose file has a number that no other had."""
        self._serial += 1
        segment.start(self._journal, self._serial, grain, self.receipted)

    def close(self, segment: Segment) -> None:
        """Take over a segment that is on the flash, behind all others."""
        self._index.put(self._index.count, segment)

    def load(self, k: int, view: Segment) -> None:
        """Read the segment of row k; one that cannot be read comes out empty, and the damage is counted."""
        serial = self._index.serials[k]
        try:
            size = self._files.read_into(name_of(serial), view.buffer)
        except OSError:
            size = 0
        if view.load(size, self._floors.get(serial, 0)) and view.serial != serial:
            view.load(0)
        if view.count != self._index.counts[k]:
            self.bad += 1
            self._index.set(k, view)

    def short(self) -> bool:
        """Say whether room must be made."""
        if self._index.count > self.most - _IN_HAND:
            return True
        free = self._files.free_blocks()
        return free is not None and free < FREE_BLOCKS + _IN_HAND and self._index.count > _FEWEST

    def full(self) -> bool:
        """Say whether not even one more segment may be written."""
        free = self._files.free_blocks()
        return self._index.count >= self.most or (free is not None and free <= FREE_BLOCKS)

    def sweep(self) -> "Iterator[None]":
        """Delete files that are not needed any more, in steps."""
        while self.stale:
            yield
            self._files.remove(self.stale[-1])
            self.stale.pop()

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
                before = index.count
                yield from self._fold(run[0], run[1])
                if index.count < before:
                    return
        self._give_up()

    def _run(self, rows: int) -> "tuple[int, int] | None":
        """Return which neighbours to fold next, of the first `rows`: a row, and the one after the last."""
        index = self._index
        grains = index.grains
        while True:
            filled = [0] * (COARSEST + 1)
            for k in range(rows):
                filled[grains[k]] += 1
            grain = filled.index(max(filled[:COARSEST]))
            if not filled[grain] or grain == COARSEST:
                return None
            begin = 0
            while grains[begin] != grain:
                begin += 1
            end = begin
            while end < rows and grains[end] == grain:
                end += 1
            if begin and grains[begin - 1] == grain + 1 and index.sizes[begin - 1] < _PARTLY:
                begin -= 1
            if end - begin > 1:
                return begin, end
            # Folding it alone frees no block: it waits for the neighbours that it will then be folded with.
            grains[begin] = grain + 1

    def _fold(self, begin: int, end: int) -> "Iterator[None]":
        """Join the records of neighbouring segments into one segment, as many of them as go into it."""
        index = self._index
        out = self.out
        grain = index.grains[end - 1] + 1
        self.begin(out, grain)
        self._group.clear(GRAINS_MS[grain])
        before = out.mark()
        joined: Rec | None = None
        row = begin
        while row < end:
            self.load(row, self._view)
            fits = True
            for i in range(self._view.count):
                if i % _AT_ONCE == 0:
                    yield
                if not self._join(self._view.read(i)):
                    fits = False
                    break
            if not fits:
                break
            # What is joined so far must fit too, in case that nothing more of the next segment does.
            here = out.mark()
            last = None if self._group.empty else self._group.record()
            if last is not None and not out.add(last, _shape(last)):
                break
            out.back_to(here)
            before, joined = here, last
            row += 1
        out.back_to(before)
        if joined is not None:
            out.add(joined, _shape(joined))
        if row - begin < 2:
            index.grains[begin] = max(grain, index.grains[begin])
            if row - begin == 1 or end - begin == 1:
                return
            return
        if out.count:
            yield from self.write(out)
        for k in range(begin, row):
            self.stale.append(name_of(index.serials[k]))
            self._floors.pop(index.serials[k], None)
        index.remove(begin, row - begin)
        if out.count:
            index.put(begin, out)

    def write(self, segment: Segment) -> "Iterator[None]":
        """Write a whole segment as a new file, in steps."""
        name = name_of(segment.serial)
        self.stale.append(name)  # until it is complete
        yield from self._files.write(name, segment.buffer, 0, segment.used)
        self.stale.remove(name)

    def _join(self, rec: "Rec") -> bool:
        group = self._group
        if group.takes(rec):
            group.add(rec)
            return True
        if not group.empty:
            last = group.record()
            if not self.out.add(last, _shape(last)):
                return False
        group.begin(rec)
        return True

    def _give_up(self) -> None:
        """Give up the oldest segment."""
        index = self._index
        count = index.counts[0]
        if index.lasts[0] > self.receipted and count:
            if index.lows[0] <= self.receipted:
                self.load(0, self._view)
                count -= self._view.upto_seq(self.receipted)
            self.lost += count
        self.stale.append(name_of(index.serials[0]))
        self._floors.pop(index.serials[0], None)
        index.remove(0)


def _shape(rec: "Rec") -> Shape:
    """Return the shape of a record that was read from flash."""
    layout = rec.layout
    if layout is None:
        raise ValueError("a record from flash has no layout")
    return shape_of(layout.channel_mask, layout.total_mask)
