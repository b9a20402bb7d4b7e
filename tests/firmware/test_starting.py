"""The firmware starts from its one entry, under both interpreters, with the command that the documentation gives."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from typing import TYPE_CHECKING

import pytest
from interpreters import BOTH, FIRMWARE
from scripted_twin import ScriptedTwin
from test_settings import GOOD

from wheelpit.demo.interpreter import micropython

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow
_CONNECT = 0x10  # MQTT 3.1.1 (OASIS Standard), 2.2.1: packet type 1


def start_command(interpreter: str) -> tuple[list[str], dict[str, str]]:
    """Return what the head of `firmware/sim/hal.py` says."""
    if interpreter == "cpython":
        return [sys.executable, str(FIRMWARE / "sim" / "run_cpython.py")], {}
    found = micropython()
    if found is None:
        pytest.skip("there is no MicroPython wheel for this machine")
    return [found, str(FIRMWARE / "main.py")], {"MICROPYPATH": f"{FIRMWARE / 'sim'}:{FIRMWARE}:.frozen"}


@BOTH
@pytest.mark.parametrize("told_by", ["environment", "argument"])
def test_the_node_starts_and_calls_its_broker(interpreter: str, told_by: str, tmp_path: Path) -> None:
    async def play() -> bytes:
        heard: asyncio.Queue[bytes] = asyncio.Queue()

        async def broker(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            heard.put_nowait(await reader.read(1000))
            writer.close()

        server = await asyncio.start_server(broker, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        told = {**GOOD, "broker": {"host": "127.0.0.1", "port": port}}
        (tmp_path / "settings.json").write_text(json.dumps(told))
        words, environment = start_command(interpreter)
        async with ScriptedTwin() as twin:
            environment = {**os.environ, **environment, "WHEELPIT_TWIN_PORT": str(twin.port)}
            environment.pop("WHEELPIT_NODE_DIR", None)
            if told_by == "argument":
                words.append(str(tmp_path))
            else:
                environment["WHEELPIT_NODE_DIR"] = str(tmp_path)
            process = await asyncio.create_subprocess_exec(*words, env=environment)
            try:
                return await asyncio.wait_for(heard.get(), 30)
            finally:
                if process.returncode is None:
                    process.kill()
                await process.wait()
                server.close()

    first = asyncio.run(play())
    assert first[0] == _CONNECT
    assert b"sallow-ghyll" in first
