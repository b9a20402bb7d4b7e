"""A bench for the journal in flash: files in memory that fail on demand, and records of an invented plant."""

from __future__ import annotations

import importlib
import random
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pytest

names: Any = importlib.import_module("node.names")
records: Any = importlib.import_module("node.records")
flash: Any = importlib.import_module("node.flash")
flash_files: Any = importlib.import_module("node.flash_files")
flash_pack: Any = importlib.import_module("node.flash_pack")
flash_ring: Any = importlib.import_module("node.flash_ring")
flash_segment: Any = importlib.import_module("node.flash_segment")

FOUR: Final = ("wheel_rpm", "rectified_v", "battery_v", "charge_a")
TWELVE: Final = (
    *FOUR,
    "alternator_rpm",
    "stage_m",
    "rectified_a",
    "load_a",
    "battery_a",
    "dump_a",
    "battery_degc",
    "alternator_degc",
)
MIDNIGHT_MS: Final = 1_790_035_200_000  # a midnight of UTC
SMALL: Final = 512  # bytes of a block where a test would fill too many whole ones


def chance_of(seed: int) -> random.Random:
    """Return a source of the same numbers for every run."""
    return random.Random(seed)  # noqa: S311 - a test must be repeatable


def make_blocks_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make blocks an eighth as large, so that a short history fills the ring and folds it to the last grain."""
    for module in (flash, flash_ring, flash_segment):
        monkeypatch.setattr(module, "SIZE", SMALL)
    monkeypatch.setattr(flash_ring, "_PARTLY", SMALL * 7 // 8)
    monkeypatch.setattr(flash, "BLOCK", SMALL)
    monkeypatch.setattr(flash, "KIB_LEAST", 1)


class PowerCutError(BaseException):
    """Everything stops here."""


class MemoryFiles:
    """What `flash_files.Folder` does, in memory, on a file system that may tear what it is writing.

    `cut_in`: so many operations from now power is cut, in the middle of one. `broken`: what every operation then
    fails with, halfway, as an errno, 0 for nothing. `free`: free blocks, None if it does not say.
    """

    path = "memory"

    def __init__(self, chance: random.Random | None = None) -> None:
        self.files: dict[str, bytes] = {}
        self.chance = chance or chance_of(1)
        self.cut_in: int | None = None
        self.broken = 0
        self.free: int | None = None
        self.operations = 0

    def _operate(self, half: Any, whole: Any) -> None:
        if self.broken:
            if self.chance.random() < 0.5:
                half()
            raise OSError(self.broken)
        self.operations += 1
        if self.cut_in is not None:
            self.cut_in -= 1
            if self.cut_in < 0:
                self.cut_in = None
                if self.chance.random() < 0.5:  # else nothing of it was done
                    half()
                raise PowerCutError
        whole()

    def _put(self, name: str, begin: int, data: bytes) -> None:
        self.files[name] = self.files[name][:begin] + data

    def make(self) -> None:
        if self.broken:
            raise OSError(self.broken)

    def names(self) -> list[str]:
        return list(self.files)

    def read_into(self, name: str, buffer: bytearray) -> int:
        if name not in self.files:
            raise OSError(2)
        data = self.files[name][: len(buffer)]
        buffer[: len(data)] = data
        return len(data)

    def write(self, name: str, data: bytearray, begin: int, end: int) -> Iterator[None]:
        fresh = bytes(data[begin:end])
        if begin:
            if name not in self.files:
                raise OSError(2)
        else:
            self._operate(lambda: None, lambda: self.files.__setitem__(name, b""))
        yield
        torn = fresh[: self.chance.randrange(len(fresh) + 1)]
        self._operate(lambda: self._put(name, begin, torn), lambda: self._put(name, begin, fresh))
        yield

    def replace(self, name: str, data: bytes) -> None:
        self._operate(lambda: None, lambda: self.files.__setitem__(name, data))

    def remove(self, name: str) -> None:
        self._operate(lambda: None, lambda: self.files.pop(name, None))

    def free_blocks(self) -> int | None:
        return None if self.free is None else self.free - len(self.files)


class Plant:
    """Makes records of a wheel that turns as it likes: totals since boot, values that wander, sometimes a fault."""

    def __init__(self, channels: tuple[str, ...] = FOUR, seed: int = 1, span_ms: int = 10_000) -> None:
        self.layout = names.layout_of(list(channels))
        self.chance = chance_of(seed)
        self.span_ms = span_ms
        self.boot = 0
        self.anchor_ms: int | None = MIDNIGHT_MS
        self.start(1)

    def start(self, boot: int) -> None:
        """Begin a boot."""
        self.boot = boot
        self.n = 0
        self.up_ms = 0
        self.total = [0] * len(self.layout.totals)

    def record(self, span_ms: int = 0, watts: int = 100) -> Any:
        """Return the next record: 13.5 V, 7.4 A into the battery, a wheel at 10.7 rpm with four magnets."""
        span_ms = span_ms or self.span_ms
        chance = self.chance
        self.n += 1
        self.up_ms += span_ms
        for i, name in enumerate(self.layout.totals):
            self.total[i] += _grown(name, span_ms, watts, chance)
        mean: list[int | None] = [
            _LEVELS[name] + chance.randrange(-(_LEVELS[name] // 100) - 1, _LEVELS[name] // 100 + 2)
            for name in self.layout.channels
        ]
        faults: list[str | None] = [None] * len(mean)
        if chance.random() < 0.02:
            at = chance.randrange(len(mean))
            mean[at] = None
            faults[at] = chance.choice(["bus", "stuck", None])
        return records.Rec(
            self.n,
            self.n,
            self.boot,
            self.up_ms,
            span_ms,
            span_ms,
            None if self.anchor_ms is None else self.anchor_ms + self.up_ms,
            "none" if self.anchor_ms is None else "host",
            chance.choice(["turning", "turning", "slow"]),
            mean,
            [None if value is None else value - abs(value) // 70 for value in mean],
            [None if value is None else value + abs(value) // 80 for value in mean],
            self.total[:],
            faults,
        )


_LEVELS: Final = {
    "wheel_rpm": 10_700,
    "alternator_rpm": 185_000,
    "rectified_v": 20_800,
    "battery_v": 13_500,
    "stage_m": 1_420,
    "rectified_a": 4_600,
    "charge_a": 7_400,
    "load_a": 2_100,
    "battery_a": 5_300,
    "dump_a": 0,
    "battery_degc": 1_250,
    "alternator_degc": 3_840,
}
_SELDOM: Final = ("stopped_ms", "parked_ms", "wheel_rejected", "charge_flips", "charge_back_mwh")


def _grown(name: str, span_ms: int, watts: int, chance: random.Random) -> int:
    """Return by how much a total grows in an interval: 10.7 rpm with four magnets are 7.1 edges in 10 s."""
    if name in _SELDOM:
        return int(chance.random() < 0.01)
    if name.endswith("_ms"):
        return span_ms if chance.random() < 0.98 else span_ms // 2
    if name.endswith("_mwh"):
        return watts * span_ms // 3600 + chance.randrange(2)
    if name.endswith("_mas"):
        return 74 * span_ms // 10 + chance.randrange(100)
    if name == "wheel_mrev":
        return span_ms * 1783 // 10_000 + chance.randrange(3)
    return span_ms // 1400 + chance.randrange(2)  # wheel_edges


def same(a: Any, b: Any) -> bool:
    """Say whether two records are the same."""
    return all(getattr(a, name) == getattr(b, name) for name in _FIELDS)


_FIELDS: Final = (
    "n", "first", "boot", "up_ms", "dur_ms", "span_ms", "end_ms", "clock", "state", "mean", "min", "max",
    "total", "faults",
)  # fmt: skip


def open_journal(files: Any, plant: Plant, kib: int, now: list[int], said: list[str] | None = None) -> Any:
    """Open the journal, whose clock is `now[0]`, as a board does at boot."""
    heard: list[str] = [] if said is None else said
    return flash.FlashJournal(files, kib, plant.layout, plant.chance.randbytes, lambda: now[0], heard.append)


def work(journal: Any) -> None:
    """Do all that `keep` would do now."""
    for _ in journal.work():
        pass


def held(journal: Any) -> list[Any]:
    """Return every record of the journal, in order, as the delivery asks for them."""
    found: list[Any] = []
    seq = journal.next(0)
    while seq:
        assert journal.before(seq) == (found[-1].boot * names.SEQ_PER_BOOT + found[-1].n if found else 0)
        found.append(journal.read(seq))
        seq = journal.next(seq)
    return found
