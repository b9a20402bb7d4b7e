"""A flash chip in memory: blocks of 4096 bytes, pages of 256, as the file systems of the boards see them.

It counts erasures of each block, and can write down every operation, so that the state at any moment can be made
again. Only for MicroPython, which has littlefs itself.
"""

import os
from array import array

import vfs

BLOCK = 4096
PAGE = 256
_ERASED = b"\xff" * BLOCK


class RamFlash:
    """A block device. log: list of (block, offset, data or None for an erasure, promise()), if it is kept.

    broken: fails every operation from now on. slow: called at each erasure.
    """

    def __init__(self, blocks, data=None):
        self.blocks = blocks
        self.data = bytearray(_ERASED * blocks) if data is None else data
        self.erases = array("I", [0] * blocks)
        self.programmed = 0
        self.log = None
        self.promise = None
        self.broken = False
        self.cut_in = None

    def readblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        buffer[:] = memoryview(self.data)[at : at + len(buffer)]

    def writeblocks(self, block, buffer, offset=0):
        if self._operate(block, offset, bytes(buffer)):
            raise OSError(5)

    def ioctl(self, what, argument):
        if what == 4:
            return self.blocks
        if what == 5:
            return BLOCK
        if what == 6:
            return -5 if self._operate(argument, 0, None) else 0
        return 0

    def _operate(self, block, offset, data):
        if self.cut_in is not None:
            self.cut_in -= 1
            if self.cut_in < 0:
                self.broken = True
        if self.broken:
            return True
        if self.log is not None:
            self.log.append((block, offset, data, self.promise()))
        if data is None:
            self.erases[block] += 1
        else:
            self.programmed += len(data)
        apply(self.data, block, offset, data)
        return False


def apply(image, block, offset, data, share=1):
    """Do an operation on an image, or the first part of it."""
    at = block * BLOCK + offset
    if data is None:
        data = _ERASED
    image[at : at + len(data) // share] = memoryview(data)[: len(data) // share]


def make(flash):
    """Put an empty file system on the flash."""
    vfs.VfsLfs2.mkfs(flash, progsize=PAGE)


def mount(flash, path="/flash"):
    """Mount the flash."""
    vfs.mount(vfs.VfsLfs2(flash, progsize=PAGE), path)


def unmount(path="/flash"):
    """Unmount whatever is there."""
    try:  # noqa: SIM105 - no contextlib on a board
        vfs.umount(path)
    except OSError:
        pass


def free_blocks(path="/flash"):
    """Return how many blocks are free; littlefs may count one twice and then fall below zero."""
    free = os.statvfs(path)[3]
    return free if free <= os.statvfs(path)[2] else 0
