"""A board whose MicroPython cannot load the compiled firmware says so, in words and with its lamp, and stays there."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from interpreters import FIRMWARE, command
from scripted_twin import ScriptedTwin

if TYPE_CHECKING:
    from pathlib import Path

# MicroPython's reference manual, "MicroPython .mpy files": the first byte is M, the second the version; a version that
# the interpreter does not read raises ValueError("incompatible .mpy file").
FOREIGN = bytes((ord("M"), 1, 0, 31, 0, 0))


@pytest.mark.slow
@pytest.mark.parametrize("module", ["hal", "node.app"])
def test_f35_firmware_of_another_version_is_told_in_words_kept_and_does_not_restart(
    module: str, tmp_path: Path
) -> None:
    flash = tmp_path / "flash"
    (flash / "node").mkdir(parents=True)
    search: tuple[Path, ...] = (flash, FIRMWARE / "sim")
    if module == "hal":
        (flash / "hal.mpy").write_bytes(FOREIGN)
    else:
        (flash / "node" / "__init__.py").write_text("")
        (flash / "node" / "app.mpy").write_bytes(FOREIGN)
    main = flash / "main.py"  # its own folder comes first on the path
    main.write_text((FIRMWARE / "main.py").read_text())
    words, environment = command("micropython", main, str(tmp_path), search=search, heap="1m")

    async def play() -> tuple[int | None, str]:
        async with ScriptedTwin() as twin:
            process = await asyncio.create_subprocess_exec(
                *words,
                env={**environment, "WHEELPIT_TWIN_PORT": str(twin.port)},
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
            )
            assert process.stdout is not None
            said = ""
            try:
                async with asyncio.timeout(30):
                    while "WRONG FIRMWARE" not in said:
                        line = await process.stdout.readline()
                        assert line, said
                        said += line.decode()
                ended = process.returncode
            finally:
                if process.returncode is None:
                    process.kill()
                await process.communicate()
            return ended, said

    ended, said = asyncio.run(play())
    assert ended is None  # it stays, so that a person can put the right firmware on it
    assert "incompatible .mpy" in said
    assert "wheelpit node install" in said
    assert "WRONG FIRMWARE" in (tmp_path / "state" / "faults").read_text()
