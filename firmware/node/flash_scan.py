"""Finding out, at boot, what a former boot left in the flash.

Nothing that lies there can keep the node from starting: what is not understood is left alone, counted and told.
Where power was cut between the writing of a folded segment and the deletion of those it was made of, both lie
there: what a wider one covers is dropped.
"""

import binascii
import struct

from node import names
from node.flash_files import Folder
from node.flash_index import Index
from node.flash_segment import HEAD_BYTES, Segment

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

HEAD = "head"
_MARK = b"wpj1"
_LAYOUT = "<4s8sI"  # and a CRC-32
_SUFFIX = ".seg"


def name_of(serial: int) -> str:
    """Return the name of the file of a segment."""
    return "%08x%s" % (serial, _SUFFIX)


def serial_of(name: str) -> int:
    """Return the number of a segment's file, -1 for any other file."""
    try:
        serial = int(name[: -len(_SUFFIX)], 16)
    except ValueError:
        return -1
    return serial if name == name_of(serial) else -1


class Found:
    """What was found. journal: its id, 8 bytes, b"" when there is none yet. boot: the last one known, 0 for none.

    serial: the highest of a file. upto: up to which seq receipts had come when the newest segment was begun.
    floors: by serial number, records up to this seq are covered by the segment before. covered: names of files
    that a wider one covers, or that are empty. wrecks: names of segments that cannot be read. foreign: names of
    files that are not of this journal. bad: damaged stretches within segments.
    """

    __slots__ = ("bad", "boot", "covered", "floors", "foreign", "journal", "serial", "upto", "wrecks")

    def __init__(self) -> None:
        self.journal = b""
        self.boot = 0
        self.serial = 0
        self.upto = 0
        self.bad = 0
        self.floors: dict[int, int] = {}
        self.covered: list[str] = []
        self.wrecks: list[str] = []
        self.foreign: list[str] = []


def write_head(files: Folder, journal: bytes, boot: int) -> None:
    """Write down who this journal is and which boot this one is."""
    head = struct.pack(_LAYOUT, _MARK, journal, boot)
    files.replace(HEAD, head + struct.pack("<I", binascii.crc32(head)))


def scan(files: Folder, index: Index, view: Segment, say: "Callable[[str], None]") -> Found:
    """Fill an empty index with the segments in the folder; `view` is used to read them."""
    found = Found()
    _read_head(files, view, found)
    headless = not found.journal
    for name in sorted(files.names(), reverse=True):  # the newest first
        if name in (HEAD, HEAD + ".new"):
            continue
        if serial_of(name) < 0:
            found.foreign.append(name)
        else:
            _read_segment(files, name, index, view, found)
    if headless and found.journal:
        say("the head of the journal is gone; its segments say who it is")
    _drop_covered(files, index, view, found)
    if index.count:
        found.boot = max(found.boot, index.lasts[index.count - 1] // names.SEQ_PER_BOOT)
    for what, some in (
        ("is not of this journal and is left alone", found.foreign),
        ("cannot be read", found.wrecks),
    ):
        if some:
            say("%s %s" % (some[0] if len(some) == 1 else "%s and %d more" % (some[0], len(some) - 1), what))
    if found.bad:
        say("%d damaged places in the journal were passed over" % found.bad)
    return found


def _read_head(files: Folder, view: Segment, found: Found) -> None:
    try:
        size = files.read_into(HEAD, view.buffer)
    except OSError:
        return
    end = struct.calcsize(_LAYOUT)
    if size != end + 4:
        return
    mark, journal, boot = struct.unpack_from(_LAYOUT, view.buffer, 0)
    if mark == _MARK and struct.unpack_from("<I", view.buffer, end)[0] == binascii.crc32(view.buffer[:end]):
        found.journal = journal
        found.boot = boot


def _read_segment(files: Folder, name: str, index: Index, view: Segment, found: Found) -> None:
    serial = serial_of(name)
    found.serial = max(found.serial, serial)
    try:
        size = files.read_into(name, view.buffer)
    except OSError:
        found.wrecks.append(name)
        return
    if size < HEAD_BYTES:
        found.covered.append(name)  # begun when power was cut: nothing is in it
    elif not view.look(size) or view.serial != serial:
        found.wrecks.append(name)
    elif found.journal not in (b"", view.journal):
        found.foreign.append(name)
    else:
        found.journal = view.journal
        found.bad += view.bad
        found.upto = max(found.upto, view.upto)
        if view.count:
            index.put(index.place(view), view)
        elif view.bad:
            found.wrecks.append(name)
        else:
            found.covered.append(name)


def _drop_covered(files: Folder, index: Index, view: Segment, found: Found) -> None:
    """Drop what a wider segment covers; of a segment that reaches beyond it, only the part that it covers."""
    k = 1
    while k < index.count:
        floor = index.lasts[k - 1]
        if index.firsts[k] > floor:
            k += 1
            continue
        serial = index.serials[k]
        last = index.lasts[k]
        index.remove(k)
        if last > floor:
            found.floors[serial] = floor
            if view.load(files.read_into(name_of(serial), view.buffer), floor) and view.count:
                index.put(
                    index.place(view), view
                )  # where it belongs now: another may cover what is left of it
                continue
        found.covered.append(name_of(serial))
