"""What went wrong, kept on the flash: two small files in turn, so that it stays bounded, and few writes.

A line is `boot up_s unix_s text`, unix_s `-` while there is no clock. `faults.old` holds what came before `faults`.
Each write wears one block, so there are at most WRITES an hour; what must wait is written with the next. A text that
only repeats the newest one is left out, so that a board that starts again and again does not write again and again.
"""

import os

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from node.clock import Clock
    from node.flash_files import Folder

FILE = "faults"
WRITES = const(6)  # in an hour; the last one is for the moment before a restart
_AT_BOOT = const(2)  # so that many starts in a row cannot write more
_REFILL_MS = const(600_000)
_LARGEST = const(4096)
_WAITING_MOST = const(12)  # lines in memory
LONGEST = const(300)
_sync: "Callable[[int], None] | None" = getattr(os, "fsync", None)  # a board has none
_ENOENT = const(2)


class FaultLog:
    """last: the newest line of an earlier boot's or this one's, "" for none. dropped: lines that found no room."""

    def __init__(self, files: "Folder", clock: "Clock", boot: int) -> None:
        self.boot = boot
        self.dropped = 0
        self._files = files
        self._clock = clock
        self._waiting: list[str] = []
        self._writes = _AT_BOOT
        self._refill_ms = _REFILL_MS
        self.last = self._newest()

    def add(self, text: str) -> None:
        """Take a line to be kept."""
        text = text[:LONGEST].replace("\n", " | ")
        if self.last.split(" ", 3)[-1] == text:
            return
        up_ms = self._clock.up_ms()
        unix_ms = self._clock.unix_ms(up_ms)
        self.last = "%d %d %s %s" % (
            self.boot,
            up_ms // 1000,
            "-" if unix_ms is None else unix_ms // 1000,
            text,
        )
        if len(self._waiting) >= _WAITING_MOST:
            del self._waiting[0]
            self.dropped += 1
        self._waiting.append(self.last)

    def keep(self, *, at_once: bool = False) -> bool:
        """Write what waits, if it is time; return whether nothing waits. Raises OSError when the flash refuses."""
        up_ms = self._clock.up_ms()
        while up_ms >= self._refill_ms:
            self._refill_ms += _REFILL_MS
            self._writes = min(self._writes + 1, WRITES)
        if not self._waiting:
            return True
        if self._writes <= (0 if at_once else 1):
            return False
        self._writes -= 1
        self._files.make()
        path = self._files.path + "/" + FILE
        text = "\n".join(self._waiting) + "\n"
        if _size(path) + len(text) > _LARGEST:
            self._files.remove(FILE + ".old")
            os.rename(path, path + ".old")
        with open(path, "ab") as file:
            file.write(text.encode())
            file.flush()
            if _sync is not None:
                _sync(file.fileno())
        self._waiting.clear()
        return True

    def _newest(self) -> str:
        for name in (FILE, FILE + ".old"):
            try:
                with open(self._files.path + "/" + name, "rb") as file:
                    file.seek(max(0, _size(self._files.path + "/" + name) - 2 * LONGEST))
                    lines = file.read().split(b"\n")
            except OSError:
                continue
            try:
                newest = (
                    lines[-2] if len(lines) > 1 else b""
                )  # what follows the last end of a line was cut short
                return newest.decode()
            except (UnicodeError, ValueError):
                continue
        return ""


def _size(path: str) -> int:
    try:
        return os.stat(path)[6]
    except OSError:
        return 0
