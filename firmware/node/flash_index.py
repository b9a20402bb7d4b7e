"""What is in which segment, in the order of seq: one short row for each segment, none for a record."""

from array import array

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.flash_segment import Segment


class Index:
    """Rows of closed segments, `count` of them; `held` records in all.

    serials: number of the file. firsts: lowest number that the segment covers, lows and lasts: its first and last
    record, all as seq. counts: records, 0 for a segment that has turned out to be unreadable. sizes: bytes used.
    grains: how far its records are folded.
    """

    __slots__ = (
        "_columns",
        "count",
        "counts",
        "firsts",
        "grains",
        "held",
        "lasts",
        "lows",
        "serials",
        "sizes",
    )

    def __init__(self, room: int) -> None:
        self.serials = array("I", [0] * room)
        self.firsts = array("Q", [0] * room)
        self.lows = array("Q", [0] * room)
        self.lasts = array("Q", [0] * room)
        self.counts = array("B", [0] * room)
        self.sizes = array("H", [0] * room)
        self.grains = array("B", [0] * room)
        self._columns = (
            self.serials, self.firsts, self.lows, self.lasts, self.counts, self.sizes, self.grains,
        )  # fmt: skip
        self.count = 0
        self.held = 0

    def put(self, k: int, segment: "Segment") -> None:
        """Insert a row for this segment before row k."""
        count = self.count
        for column in self._columns:
            if count == len(column):
                column.append(0)
            column[k + 1 : count + 1] = column[k:count]
        self.count = count + 1
        self.counts[k] = 0
        self.serials[k] = segment.serial
        self.grains[k] = segment.grain
        self.set(k, segment)

    def set(self, k: int, segment: "Segment") -> None:
        """Correct row k by what is really in the segment."""
        self.held += segment.count - self.counts[k]
        self.counts[k] = segment.count
        self.sizes[k] = segment.used
        if segment.count:
            self.firsts[k] = segment.first
            self.lows[k] = segment.low
            self.lasts[k] = segment.last

    def remove(self, k: int, rows: int = 1) -> None:
        """Delete rows from row k on."""
        count = self.count
        for i in range(k, k + rows):
            self.held -= self.counts[i]
        for column in self._columns:
            column[k : count - rows] = column[k + rows : count]
        self.count = count - rows

    def place(self, segment: "Segment") -> int:
        """Return before which row a segment belongs: by what it covers, the wider before the narrower.

        Of two that cover the same the newer stands first.
        """
        low = 0
        high = self.count
        first = segment.first
        last = segment.last
        while low < high:
            k = (low + high) // 2
            if self.firsts[k] != first:
                before = self.firsts[k] < first
            elif self.lasts[k] != last:
                before = self.lasts[k] > last
            else:
                before = self.serials[k] > segment.serial
            if before:
                low = k + 1
            else:
                high = k
        return low

    def after(self, seq: int) -> int:
        """Return the first row whose last record has a seq above this one; `count` if there is none."""
        low = 0
        high = self.count
        while low < high:
            k = (low + high) // 2
            if self.lasts[k] <= seq:
                low = k + 1
            else:
                high = k
        return low

    def row_of(self, serial: int) -> int:
        """Return the row of a file, -1 if there is none."""
        for k in range(self.count):
            if self.serials[k] == serial:
                return k
        return -1

    @property
    def oldest(self) -> int:
        """The seq of the oldest record, 0 when there is none."""
        for k in range(self.count):
            if self.counts[k]:
                return self.lows[k]
        return 0

    @property
    def newest(self) -> int:
        """The seq of the newest record, 0 when there is none."""
        for k in range(self.count - 1, -1, -1):
            if self.counts[k]:
                return self.lasts[k]
        return 0
