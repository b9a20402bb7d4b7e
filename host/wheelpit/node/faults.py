"""The log of faults that a node keeps on its flash: what happened before, also before its last restart."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.node.console import Console

FOLDER: Final = "state"
FILES: Final = ("faults.old", "faults")  # the older one first
_PARTS: Final = 4


def as_line(kept: str) -> str:
    """Return a line of the log for people; it is kept as `boot up_s unix_s text`, with `-` for what was not known."""
    parts = kept.split(" ", _PARTS - 1)
    if len(parts) < _PARTS:
        return kept
    boot, up_s, unix_s, text = parts
    when = "no clock yet"
    if unix_s.isdecimal():
        when = datetime.fromtimestamp(int(unix_s), UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    where = f"boot {boot} + {up_s} s" if boot.isdecimal() else "before the node ran"
    return f"{when}  {where}  {text}"


def faults_of(opened: Console) -> list[str]:
    """Return the faults that a board holds, oldest first, for people; the board's console must be ours."""
    held = opened.names(FOLDER)
    lines: list[str] = []
    for name in FILES:
        if name in held:
            text = opened.read(f"{FOLDER}/{name}").decode("utf-8", "replace")
            lines += [as_line(line) for line in text.splitlines() if line]
    return lines
