"""Where the records go: to the flash where there is one, else to memory, so that nothing keeps a node from starting.

A journal belongs to the chip that made it. Where the flash was copied to a second board, both would go on under the
same numbers and the host would take one for a repetition of the other; so the second board begins a journal of its
own and drops its copy, whose records the first board still has.
"""

import gc
import os

from node.flash_files import Folder
from node.records import JournalError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable

    from hal import Board

    from node.kept import Kept
    from node.settings import Settings

FOLDER = "/journal"
MAKER = "maker"
_SHARE = 4  # of the memory that is free: one part
_KIB_LEAST = 40
_KIB_MOST = 424  # half the file system of a Pico W; enough for thirty days without a host


def make(  # noqa: PLR0917 - all of it is needed, once
    folder: "str | None",
    told: "Settings",
    board: "Board",
    kept: "Kept",
    now_ms: "Callable[[], int]",
    say: "Callable[[str], None]",
) -> "Any":
    """Return the journal of this boot: a FlashJournal, or a RamJournal where the flash takes nothing."""
    if folder is not None:
        try:
            _own(folder + FOLDER, kept, board.chip, say)
        except OSError as error:
            say("whose journal this is cannot be kept (%s)" % error)
        from node import flash  # noqa: PLC0415 - no memory for it where there is none

        try:
            kib = told.journal_kib or _half(folder or "/")
            return flash.FlashJournal(
                Folder(folder + FOLDER), kib, told.layout, board.random_bytes, now_ms, say
            )
        except (JournalError, MemoryError) as error:
            say("no journal in flash (%s); records stay in memory" % error)
    from node import journal  # noqa: PLC0415 - as above

    gc.collect()
    free = getattr(gc, "mem_free", None)
    # A share of what is free now, before the network takes its own.
    room = journal.ROOM_BYTES if free is None else min(journal.ROOM_BYTES, free() // _SHARE)
    return journal.RamJournal(told.layout, board.random_bytes, room)


def _own(path: str, kept: "Kept", chip: str, say: "Callable[[str], None]") -> None:
    """See to it that the journal in a folder is this chip's."""
    maker = kept.read(MAKER).get("chip")
    if maker == chip:
        return
    if maker is not None:
        say("this journal was made by chip %s and this is %s: a new one begins" % (maker, chip))
        try:
            names = os.listdir(path)
        except OSError:
            names = []
        for name in names:
            os.remove(path + "/" + name)
    kept.write(MAKER, {"chip": chip})


def _half(path: str) -> int:
    """Return half of a file system in KiB, within reason."""
    statvfs: "Any" = getattr(os, "statvfs", None)
    if statvfs is None:
        return _KIB_MOST
    told = statvfs(path)
    size: int = told[1] * told[2] // 2048
    return min(max(size, _KIB_LEAST), _KIB_MOST)
