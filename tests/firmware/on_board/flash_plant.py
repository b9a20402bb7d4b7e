"""An invented plant for the journal's tests on MicroPython: records that can be made again from their numbers."""

import os

from node import names
from node.flash import FlashJournal
from node.flash_files import Folder
from node.records import Rec

FOUR = ["wheel_rpm", "rectified_v", "battery_v", "charge_a"]
TWELVE = FOUR + [  # noqa: RUF005 - not in MicroPython
    "alternator_rpm", "stage_m", "rectified_a", "load_a", "battery_a", "dump_a", "battery_degc", "alternator_degc",
]  # fmt: skip
MIDNIGHT_MS = 1_790_035_200_000
DAY_MS = 86_400_000
SPAN_MS = 10_000
# Steps: 10.7 rpm, 20.8 V before and 13.5 V behind the converter, 7.4 A into the battery; 100 W.
_LEVELS = {
    "wheel_rpm": 10_700, "alternator_rpm": 185_000, "rectified_v": 20_800, "battery_v": 13_500, "stage_m": 1_420,
    "rectified_a": 4_600, "charge_a": 7_400, "load_a": 2_100, "battery_a": 5_300, "dump_a": 0,
    "battery_degc": 1_250, "alternator_degc": 3_840,
}  # fmt: skip
_SELDOM = ("stopped_ms", "parked_ms", "wheel_rejected", "charge_flips", "charge_back_mwh")


class Plant:
    """Makes the records of one boot after another. total: what the last one said, since the boot."""

    def __init__(self, channels, span_ms=SPAN_MS, seed=1):
        self.layout = names.layout_of(channels)
        self.span_ms = span_ms
        self.now_ms = MIDNIGHT_MS
        self.mwh = self.layout.totals.index("charge_mwh")
        self._state = seed
        self.start(1)

    def start(self, boot):
        """Begin a boot."""
        self.boot = boot
        self.n = 0
        self.up_ms = 0
        self.total = [0] * len(self.layout.totals)

    def wander(self, most):
        """Return a number below this one."""
        self._state = (self._state * 1103515245 + 12345) & 0x7FFFFFFF
        return (self._state >> 8) % most

    def record(self):
        """Return the next record."""
        span_ms = self.span_ms
        self.n += 1
        self.up_ms += span_ms
        self.now_ms += span_ms
        for i, name in enumerate(self.layout.totals):
            if name in _SELDOM:
                grown = self.wander(100) // 99
            elif name.endswith("_ms"):
                grown = span_ms if self.wander(50) else span_ms // 2
            elif name.endswith("_mwh"):
                grown = 100 * span_ms // 3600 + self.wander(2)
            elif name.endswith("_mas"):
                grown = 74 * span_ms // 10 + self.wander(100)
            elif name == "wheel_mrev":
                grown = span_ms * 1783 // 10_000 + self.wander(3)
            else:
                grown = span_ms // 1400 + self.wander(2)
            self.total[i] += grown
        mean = []
        for name in self.layout.channels:
            level = _LEVELS[name]
            mean.append(level + self.wander(level // 50 + 1) - level // 100)
        return Rec(
            self.n, self.n, self.boot, self.up_ms, span_ms, span_ms, self.now_ms, "host", "turning", mean,
            [value - value // 70 for value in mean], [value + value // 80 for value in mean], self.total[:],
            [None] * len(mean),
        )  # fmt: skip


class Node:
    """A node that makes records and keeps them in a journal in /flash/journal. said: what the journal told."""

    def __init__(self, plant, kib, say=None):
        self.plant = plant
        self.kib = kib
        self.up_ms = 0
        self.said = []
        self.say = say or self.said.append
        self.journal = None

    def start(self):
        """Begin a boot."""
        self.journal = None
        self.up_ms = 0
        self.journal = FlashJournal(
            Folder("/flash/journal"), self.kib, self.plant.layout, os.urandom, lambda: self.up_ms, self.say
        )
        self.plant.start(self.journal.boot)

    def record(self):
        """Make a record and do what is then due on the flash."""
        rec = self.plant.record()
        self.up_ms = rec.up_ms
        self.journal.append(rec)
        for _ in self.journal.work():
            pass
        return rec
