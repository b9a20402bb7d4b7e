"""Runs a script of the firmware's tests on MicroPython, as on a board, or on CPython, as where there is no wheel."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from wheelpit.demo.interpreter import micropython

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable

FIRMWARE: Final = Path(__file__).resolve().parents[2] / "firmware"
ON_BOARD: Final = Path(__file__).resolve().parent / "on_board"
SHIMS: Final = FIRMWARE / "sim" / "cpython"
INTERPRETERS: Final = ("cpython", "micropython")
BOTH: Final = pytest.mark.parametrize("interpreter", INTERPRETERS)
# CPython needs the names that MicroPython adds before it runs a script.
_CPYTHON: Final = """\
import runpy, sys, shims
shims.install()
sys.argv = sys.argv[1:]
runpy.run_path(sys.argv[0], run_name="__main__")
"""
needs_micropython: Final = pytest.mark.skipif(
    micropython() is None, reason="there is no MicroPython wheel for this machine"
)
BOARD_HEAP: Final = "170k"  # what a board with Wi-Fi leaves to the firmware


def command(
    interpreter: str, script: Path, *arguments: str, search: tuple[Path, ...] = (), heap: str = BOARD_HEAP
) -> tuple[list[str], dict[str, str]]:
    """Return the command and its environment."""
    paths = [*map(str, search), str(FIRMWARE)]
    if interpreter == "cpython":
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join([*paths, str(SHIMS)]),
            "PYTHONUNBUFFERED": "1",
        }
        return [sys.executable, "-W", "error", "-c", _CPYTHON, str(script), *arguments], environment
    found = micropython()
    if found is None:
        pytest.skip("there is no MicroPython wheel for this machine")
    environment = {**os.environ, "MICROPYPATH": os.pathsep.join([*paths, ".frozen"])}
    return [found, "-X", f"heapsize={heap}", str(script), *arguments], environment


class Running:
    """A script that runs; `finished()` gives the JSON object that it printed last."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process

    async def line(self, timeout_s: float = 30.0) -> str:
        """Return the next line that it prints."""
        assert self.process.stdout is not None
        return (await asyncio.wait_for(self.process.stdout.readline(), timeout_s)).decode().rstrip()

    async def output(self, timeout_s: float = 30.0) -> str:
        """Wait for the end and return everything printed; fail when it did not end well."""
        out, _ = await asyncio.wait_for(self.process.communicate(), timeout_s)
        text = out.decode()
        assert self.process.returncode == 0, text
        return text

    async def finished(self, timeout_s: float = 30.0) -> Any:
        """Wait for the end and return the report."""
        lines = (await self.output(timeout_s)).splitlines()
        return json.loads(next(line for line in reversed(lines) if line.startswith("{")))


@asynccontextmanager
async def running(
    interpreter: str,
    script: str,
    *arguments: str,
    search: tuple[Path, ...] = (),
    heap: str = BOARD_HEAP,
    environment: dict[str, str] | None = None,
) -> AsyncIterator[Running]:
    """Run a script of `on_board` while the block lasts, and end it in any case."""
    words, surroundings = command(interpreter, ON_BOARD / script, *arguments, search=search, heap=heap)
    process = await asyncio.create_subprocess_exec(
        *words,
        env=surroundings | (environment or {}),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    try:
        yield Running(process)
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


async def both(play: Callable[[str], Awaitable[Any]]) -> list[Any]:
    """Let both interpreters go through the same at one time."""

    async def go(interpreter: str) -> Any:
        return await play(interpreter)

    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(go(interpreter)) for interpreter in INTERPRETERS]
    return [task.result() for task in tasks]
