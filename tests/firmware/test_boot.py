"""A node starts whatever is missing, and with settings that are wrong it says so instead of restarting for ever."""

from __future__ import annotations

import asyncio
import json
from importlib import import_module
from itertools import combinations
from typing import TYPE_CHECKING, Any

import pytest
from interpreters import BOTH, FIRMWARE, both, command, running
from scripted_broker import ScriptedBroker
from scripted_host import ScriptedHost, settings
from scripted_twin import ScriptedTwin

from wheelpit import __version__

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

app: Any = import_module("node.app")


@pytest.mark.slow
def test_f05_measures_from_the_start_without_network_address_or_broker_and_connects_when_they_come(
    free_port: Callable[[], int], tmp_path: Path
) -> None:
    async def play(interpreter: str) -> Any:
        bench = tmp_path / f"{interpreter}.json"
        async with ScriptedBroker() as broker:
            ScriptedHost(broker, online=False)
            told = json.loads(settings(broker.port)) | {"channels": {}}
            del told["i2c"]
            bench.write_text(json.dumps({"settings": told, "port": broker.port, "absent": free_port()}))
            async with running(
                interpreter, "boot_probe.py", str(bench), search=(FIRMWARE / "sim",), heap="1m"
            ) as probe:
                return await probe.finished(90)

    parts = ("network", "address", "broker")
    choices = [" ".join(some) for size in range(4) for some in combinations(parts, size)]
    for report in asyncio.run(both(play)):
        assert sorted(report) == sorted(choices)
        for missing, found in report.items():
            assert found["records"] >= 1, missing
            assert (found["connects"] > 0) is (missing == ""), missing
            assert found["in_the_end"] >= 1, missing
            assert found["fed"], missing
            assert found["restarts"] == {}, missing


def test_wrong_settings_are_told_once_and_looked_at_again_until_they_are_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(app, "SETUP_PAUSE_S", 0)
    path = tmp_path / "settings.json"
    looks = 0
    load = app.settings.load

    def counting(folder: str) -> Any:
        nonlocal looks
        looks += 1
        return load(folder)

    monkeypatch.setattr(app.settings, "load", counting)

    async def play() -> Any:
        reading = asyncio.create_task(app.read_settings(str(tmp_path)))
        await looked(3)
        path.write_text('{"site": "Sallow Ghyll"}')
        await looked(3)
        path.write_text(settings(1883))
        return await reading

    async def looked(times: int) -> None:
        end = looks + times
        while looks < end:  # noqa: ASYNC110 - nothing tells of a look
            await asyncio.sleep(0.001)

    told = asyncio.run(asyncio.wait_for(play(), 20))
    assert told.site == "sallow-ghyll"
    lines = capsys.readouterr().out.splitlines()
    assert sum("read again every" in line for line in lines) == 2
    assert any("settings.json: cannot be read" in line for line in lines)
    assert sum(line.startswith("  site ") for line in lines) == 1
    assert any(line.startswith("  node is missing") for line in lines)


async def ended(words: list[str], environment: dict[str, str]) -> tuple[int | None, str]:
    process = await asyncio.create_subprocess_exec(
        *words, env=environment, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    try:
        out, _ = await asyncio.wait_for(process.communicate(), 60)
    finally:
        if process.returncode is None:
            process.kill()
            await process.communicate()
    return process.returncode, out.decode()


@pytest.mark.slow
@BOTH
@pytest.mark.parametrize("broken", ["node/mqtt.py", "node/app.py", "node/names.py"])
def test_f29_whatever_fails_at_the_start_ends_in_a_restart(
    interpreter: str, broken: str, tmp_path: Path
) -> None:
    # A part of the firmware that cannot be imported comes first on the path.
    package = tmp_path / "node"
    package.mkdir()
    for path in (FIRMWARE / "node").glob("*.py"):
        (package / path.name).write_text(path.read_text())
    (tmp_path / broken).write_text("raise ValueError('a broken file')\n")
    main = (FIRMWARE / "main.py").read_text()
    assert "PAUSE_S = 5" in main
    (tmp_path / "main.py").write_text(main.replace("PAUSE_S = 5", "PAUSE_S = 0"))

    async def play() -> tuple[int | None, str]:
        async with ScriptedTwin() as twin:
            words, environment = command(
                interpreter,
                tmp_path / "main.py",
                str(tmp_path),
                search=(tmp_path, FIRMWARE / "sim"),
                heap="1m",
            )
            return await ended(words, {**environment, "WHEELPIT_TWIN_PORT": str(twin.port)})

    code, text = asyncio.run(play())
    assert code == 42  # the simulated board asks its parent to start it again
    assert "ValueError: a broken file" in text


def test_the_firmware_has_the_version_of_the_package() -> None:
    assert __version__ == app.VERSION
