"""The command that runs the node's firmware on this machine: MicroPython, or CPython where it has no wheel."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import NamedTuple

from wheelpit.places import bundled


class Interpreter(NamedTuple):
    """How to run the firmware: the command, its environment, and a notice if it is not MicroPython."""

    command: list[str]
    environment: dict[str, str]
    notice: str | None


def micropython() -> str | None:
    """Return the MicroPython that was installed beside this Python, or one on the PATH."""
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.is_file() else shutil.which("micropython")


def interpreter() -> Interpreter:
    """Return how to run `firmware/main.py` here."""
    firmware = bundled("firmware")
    found = micropython()
    if found is not None:
        search = os.pathsep.join([str(firmware / "sim"), str(firmware), ".frozen"])
        return Interpreter([found, str(firmware / "main.py")], {"MICROPYPATH": search}, None)
    return Interpreter(
        [sys.executable, str(firmware / "sim" / "run_cpython.py")],
        {},
        "No MicroPython is installed for this machine (its package has wheels for Linux on x86-64 and macOS on "
        "arm64): the node's firmware runs on CPython instead.",
    )
