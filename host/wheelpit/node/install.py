"""Puts the firmware on a board: what has to go over, what stays, what of an older version goes.

A list of our files lies on the board (`wheelpit-files.json`), written before the first change and after the last,
so that what an interrupted installation left is known to be ours. Nothing else is ever removed.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from wheelpit import __version__
from wheelpit.errors import WheelpitError
from wheelpit.node.bundle import PACKAGE, BoardFile, check_format
from wheelpit.node.settings import SECRETS_FILE, SETTINGS_FILE

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.node.boards import BoardKind
    from wheelpit.node.console import Console, Facts, Held

LIST_FILE: Final = "wheelpit-files.json"
# The board's `network.WLAN.IF_STA` and `PM_NONE`, which hal.py uses, came with this version (from memory).
LEAST_VERSION: Final = (1, 24, 0)
_SPARE_BLOCKS: Final = 2  # for the file system's own tables
_OURS: Final = re.compile(rf"({PACKAGE}/)?[a-z0-9_]+\.(py|mpy)")


class InstallError(WheelpitError):
    """The firmware cannot go on this board: what stands in the way and what to do."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What an installation does. copy: with their new content; remove: ours, of an older version."""

    copy: list[BoardFile]
    same: list[BoardFile] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    remove: list[str] = field(default_factory=list)
    alone: list[str] = field(default_factory=list)

    @property
    def total_bytes(self) -> int:
        """What goes over the cable."""
        return sum(len(file.data) for file in self.copy)

    def as_text(self) -> str:
        """Return the plan as a person reads it."""
        lines = [f"  copy    {file.path:<28} {len(file.data):>7,} B" for file in self.copy]
        lines += [f"  same    {file.path:<28} {len(file.data):>7,} B" for file in self.same]
        lines += [f"  keep    {text}" for text in self.kept]
        lines += [f"  remove  {path} (of an older version)" for path in self.remove]
        lines += [f"  leave   {path} (not ours)" for path in self.alone]
        lines.append(
            f"  {len(self.copy)} files, {self.total_bytes:,} B to copy; {len(self.same)} there already"
        )
        return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What shall be on the board.

    replace_settings: also where the board has settings or secrets of its own. certificates: for an encrypted connection to the
    broker; they take the place of older ones.
    """

    firmware: list[BoardFile]
    settings: BoardFile
    secrets: BoardFile | None
    replace_settings: bool
    certificates: list[BoardFile] = field(default_factory=list)


def check_board(facts: Facts, board: BoardKind, firmware: list[BoardFile]) -> None:
    """Check that a board is of the kind that was named, and can load the firmware.

    Raises:
        InstallError: It is another board, or its MicroPython is too old.
        BundleError: It loads another format of compiled modules.
    """
    if facts.interpreter != "micropython":
        msg = f"the board runs {facts.interpreter}: put MicroPython for the {board.title} on it first"
        raise InstallError(msg)
    if facts.platform != board.port or not re.search(rf"\b{re.escape(board.machine)}\b", facts.machine):
        msg = (
            f'the board calls itself "{facts.machine}" ({facts.platform}), which is no {board.title}: '
            "give the right --board"
        )
        raise InstallError(msg)
    check_format(firmware, facts.mpy, facts.version_text)
    if facts.version < LEAST_VERSION:
        least = ".".join(str(part) for part in LEAST_VERSION)
        msg = f"the board's MicroPython is {facts.version_text}; the firmware needs {least}: put a current one on it"
        raise InstallError(msg)


def plan_without_board(wanted: Wanted) -> Plan:
    """Return what goes on a board of which nothing is known."""
    extra = [wanted.settings, *([wanted.secrets] if wanted.secrets is not None else [])]
    return Plan(copy=[*extra, *wanted.certificates, *wanted.firmware])


def plan_for(console: Console, facts: Facts, wanted: Wanted) -> Plan:
    """Look at a board and return what has to be done.

    Raises:
        InstallError: It does not fit in.
        ConsoleError: The board does not answer.
    """
    listed = _our_list(console)
    present = set(console.names()) | {f"{PACKAGE}/{name}" for name in console.names(PACKAGE)}
    new = {file.path for file in wanted.firmware}
    # Source beside a compiled module would be loaded in its place.
    twins = {path.removesuffix(".mpy") + ".py" for path in new if path.endswith(".mpy")}
    remove = sorted(((listed | twins) - new) & present)
    alone = sorted(
        path for path in present if path.startswith(f"{PACKAGE}/") and path not in new and path not in remove
    )
    looked_at = [file.path for file in (*wanted.firmware, *wanted.certificates)]
    looked_at += [SETTINGS_FILE, SECRETS_FILE]
    held = console.held(path for path in looked_at if path in present)
    copy: list[BoardFile] = []
    same: list[BoardFile] = []
    kept: list[str] = []
    for file in (wanted.settings, wanted.secrets):
        if file is None:
            continue
        there = held.get(file.path)
        if there is not None and there.sha256 != file.sha256 and not wanted.replace_settings:
            kept.append(f"{file.path} (another than this command would write; --settings replaces it)")
        else:
            (same if there is not None and there.sha256 == file.sha256 else copy).append(file)
    if wanted.secrets is None:
        kept.append(
            SECRETS_FILE
            if SECRETS_FILE in held
            else f"no {SECRETS_FILE} (give one with --secrets, if Wi-Fi needs it)"
        )
    for file in (*wanted.certificates, *wanted.firmware):
        there = held.get(file.path)
        (same if there is not None and there.sha256 == file.sha256 else copy).append(file)
    _check_room(facts, copy, held)
    return Plan(copy, same, kept, remove, alone)


def install(console: Console, plan: Plan, progress: Callable[[str, int], None]) -> None:
    """Do what a plan says. Each file is checked on the board before it takes the place of the old one.

    Args:
        console: The board's console, taken over.
        plan: From `plan_for` for this board.
        progress: Called with a file's path and the bytes of it that went over since the last call.

    Raises:
        ConsoleError: The board does not answer, is full, or got something else than was sent.
    """
    ours = {file.path: file.sha256 for file in plan.copy + plan.same if _OURS.fullmatch(file.path)}
    _write_list(console, sorted({*ours, *plan.remove}))
    console.make_folder(PACKAGE)
    for file in plan.copy:

        def went(count: int, path: str = file.path) -> None:
            progress(path, count)

        console.write(file.path, file.data, file.sha256, went)
    for path in plan.remove:
        console.remove(path)
    _write_list(console, sorted(ours))


def _write_list(console: Console, paths: list[str]) -> None:
    told: dict[str, Any] = {"firmware": __version__, "files": paths}
    data = json.dumps(told).encode()
    console.write(LIST_FILE, data, hashlib.sha256(data).hexdigest(), lambda _: None)


def _our_list(console: Console) -> set[str]:
    """Return the files that earlier installations put there; only names that can be ours count."""
    if LIST_FILE not in console.names():
        return set()
    try:
        told = json.loads(console.read(LIST_FILE))
        return {path for path in told["files"] if isinstance(path, str) and _OURS.fullmatch(path)}
    except (ValueError, KeyError, TypeError):
        return set()  # damaged: then nothing is known to be ours, and nothing is removed


def _check_room(facts: Facts, copy: list[BoardFile], held: dict[str, Held]) -> None:
    def blocks(size: int) -> int:
        return -(-size // facts.block)

    more = sum(
        max(0, blocks(len(file.data)) - (blocks(held[file.path].size) if file.path in held else 0))
        for file in copy
    )
    beside = max((blocks(len(file.data)) for file in copy), default=0)  # the new one, while the old one stays
    needed = more + beside + _SPARE_BLOCKS
    if needed > facts.free_blocks:
        msg = (
            f"the board has {facts.free_blocks * facts.block // 1024} KiB free, the firmware needs "
            f"{needed * facts.block // 1024} KiB: delete what else lies on it"
        )
        raise InstallError(msg)
