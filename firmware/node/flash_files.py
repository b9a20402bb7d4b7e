"""The files of the journal: one folder, on littlefs on a board, on any file system elsewhere.

A file is written in steps, each one operation on the flash, so that others get their turn in between. What is
closed is on the flash: littlefs commits a file as a whole when it is closed or flushed, elsewhere it is synced.
"""

import os

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import IO, Any, Iterator

BLOCK = const(4096)
_ENOENT = const(2)
_sync: "Any" = getattr(os, "fsync", None)  # a board has none
_replace: "Any" = getattr(os, "replace", os.rename)
_statvfs: "Any" = getattr(os, "statvfs", None)


class Folder:
    """One folder of files. What fails raises OSError."""

    def __init__(self, path: str) -> None:
        self.path = path

    def make(self) -> None:
        """Make the folder if it is not there."""
        try:
            os.listdir(self.path)
        except OSError:
            os.mkdir(self.path)

    def names(self) -> "list[str]":
        """Return the names of all files."""
        return os.listdir(self.path)

    def read_into(self, name: str, buffer: bytearray) -> int:
        """Read a file from its start as far as the buffer goes; return how many bytes were read."""
        with open(self._where(name), "rb") as file:
            return file.readinto(buffer) or 0

    def write(self, name: str, data: bytearray, begin: int, end: int) -> "Iterator[None]":
        """Write `data[begin:end]` to the same place of a file; one that begins at 0 is made anew.

        A generator: run it to its end. Then the bytes are on the flash.
        """
        file: IO[bytes] = open(self._where(name), "r+b" if begin else "wb")  # noqa: SIM115 - closed below
        try:
            if begin:
                file.seek(begin)
            yield
            file.write(memoryview(data)[begin:end])
            yield
            file.flush()
            if _sync is not None:
                _sync(file.fileno())
        finally:
            file.close()

    def replace(self, name: str, data: bytes) -> None:
        """Write a small file so that it is there as a whole, before or after."""
        fresh = name + ".new"
        with open(self._where(fresh), "wb") as file:
            file.write(data)
            file.flush()
            if _sync is not None:
                _sync(file.fileno())
        _replace(self._where(fresh), self._where(name))

    def remove(self, name: str) -> None:
        """Delete a file; one that is not there is no error."""
        try:
            os.remove(self._where(name))
        except OSError as error:
            if error.errno != _ENOENT:
                raise

    def free_blocks(self) -> "int | None":
        """Return how many blocks the file system still has, None where it does not say."""
        if _statvfs is None:
            return None
        told = _statvfs(self.path)
        size: int = told[1]
        blocks: int = told[2]
        free: int = told[3]
        # littlefs may count a block twice: on a full one its number of free blocks has been seen to wrap below zero.
        return free * size // BLOCK if free <= blocks else 0

    def _where(self, name: str) -> str:
        return self.path + "/" + name
