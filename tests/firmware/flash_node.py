"""A node with a journal on good flash, for the tests of the journal."""

from __future__ import annotations

from typing import Any, Final

from flash_bench import FOUR, MemoryFiles, Plant, names, open_journal, work

KIB: Final = 40
BOOT: Final[int] = names.SEQ_PER_BOOT


class FlashNode:
    """A node with a journal on good flash, which works off what is due after every record."""

    def __init__(self, kib: int = KIB, channels: tuple[str, ...] = FOUR, files: Any = None) -> None:
        self.files = files or MemoryFiles()
        self.kib = kib
        self.plant = Plant(channels)
        self.now = [0]
        self.said: list[str] = []
        self.start()

    def start(self) -> None:
        self.journal = open_journal(self.files, self.plant, self.kib, self.now, self.said)
        self.plant.start(self.journal.boot)

    def record(self, count: int = 1, span_ms: int = 10_000, *, working: bool = True) -> None:
        for _ in range(count):
            self.now[0] += span_ms
            self.journal.append(self.plant.record(span_ms))
            if working:
                work(self.journal)

    def segments(self) -> list[str]:
        return sorted(name for name in self.files.files if name.endswith(".seg"))
