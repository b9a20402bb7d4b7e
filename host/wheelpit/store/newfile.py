"""A file that people name is whole or not there: it gets its name when it is finished and on the disk."""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Iterator


class FileInTheWayError(WheelpitError):
    """A file of that name exists, and nobody said that it may be replaced."""


def _in_the_way(out: Path) -> FileInTheWayError:
    return FileInTheWayError(f"{out} exists already: give another name, or --replace")


def flush_to_disk(path: Path) -> None:
    """Wait until a file's contents, or a folder's names, are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _name(draft: Path, out: Path, *, replace: bool) -> None:
    if not replace:
        try:
            out.hardlink_to(draft)
        except FileExistsError as error:
            raise _in_the_way(out) from error
        except OSError:
            # A file system without hard links, such as a memory stick's.
            if out.exists():
                raise _in_the_way(out) from None
        else:
            return
    draft.replace(out)


@contextmanager
def new_file(out: Path, *, replace: bool = False) -> Iterator[Path]:
    """Give a draft beside `out` to write; it gets its name at the end of the block, or is gone after an error.

    Args:
        out: the file to make.
        replace: whether a file of that name may be replaced, which happens at once.

    Raises:
        FileInTheWayError: a file of that name exists.

    """
    if out.exists() and not replace:
        raise _in_the_way(out)
    handle, name = tempfile.mkstemp(dir=out.parent, prefix=f".{out.name}.", suffix=".part")
    os.close(handle)
    draft = Path(name)
    try:
        yield draft
        flush_to_disk(draft)
        _name(draft, out, replace=replace)
        flush_to_disk(out.parent)
    finally:
        # SQLite's companions of a database that was being written, too.
        for end in ("", "-journal", "-wal", "-shm"):
            Path(f"{name}{end}").unlink(missing_ok=True)
