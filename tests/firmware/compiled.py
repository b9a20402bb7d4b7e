"""The firmware as it lies on a board: compiled modules under short names, so that no path of this machine counts.

A module loaded from source keeps the path it came from in the heap, and compiling it needs room of its own; what is
measured of memory is therefore measured with compiled modules, found by a path relative to where the script runs.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from typing import TYPE_CHECKING, Final

import pytest
from interpreters import FIRMWARE, ON_BOARD

from wheelpit.demo.interpreter import micropython
from wheelpit.node.bundle import compiler

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SEARCH: Final = ":.frozen"
NODE: Final = FIRMWARE / "node"


def compile_modules(folder: Path, modules: Iterable[Path]) -> dict[str, int]:
    """Compile modules of the firmware into a folder as they lie on a board; return the bytes of each by its name."""
    sizes = {}
    for source in modules:
        name = source.relative_to(FIRMWARE).with_suffix("") if source.is_relative_to(NODE) else source.stem
        out = folder / f"{name}.mpy"
        out.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run([compiler(), "-s", f"{name}.py", "-o", out, source], check=True)
        sizes[str(name)] = out.stat().st_size
    return sizes


def compiled_command(
    folder: Path, script: str, *arguments: str, heap: str
) -> tuple[list[str], dict[str, str]]:
    """Return the command that runs a script of `on_board` in the folder of the compiled modules, and its environment.

    Run it with `cwd` set to the folder.
    """
    found = micropython()
    if found is None:
        pytest.skip("there is no MicroPython wheel for this machine")
    shutil.copyfile(ON_BOARD / script, folder / script)
    return [found, "-X", f"heapsize={heap}", script, *arguments], {**os.environ, "MICROPYPATH": SEARCH}
