"""The board on Linux: its pins follow the twin, its network goes when the twin says so, and it restarts."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

import pytest
from interpreters import BOTH, FIRMWARE, ON_BOARD, command
from scripted_twin import ScriptedTwin
from test_settings import GOOD

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

pytestmark = pytest.mark.slow


class Story:
    """What the simulated board told, line by line, as it happens."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.told: list[Any] = []

    async def until(self, true_of: Callable[[Any], bool], timeout_s: float = 20.0) -> Any:
        """Read on until a line is what we wait for."""

        async def look() -> Any:
            assert self.process.stdout is not None
            async for line in self.process.stdout:
                self.told.append(json.loads(line))
                if true_of(self.told[-1]):
                    return self.told[-1]
            pytest.fail(f"the board ended: {self.told[-3:]}")

        return await asyncio.wait_for(look(), timeout_s)

    def of(self, what: str) -> list[Any]:
        return [line for line in self.told if line["what"] == what]


async def play(
    interpreter: str,
    folder: Path,
    samples: int,
    script: Callable[[ScriptedTwin, Story], Awaitable[None]],
    wiring: dict[str, Any] | None = None,
    **told: Any,
) -> Story:
    """Run the board with a scripted twin and a server that only listens; return what it told."""

    async def listen(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(100):
            pass
        writer.close()

    settings = folder / "settings.json"
    settings.write_text(json.dumps({**GOOD, "record_s": 5, "parked_pin": 9, **told}))
    server = await asyncio.start_server(listen, "127.0.0.1", 0)
    async with ScriptedTwin(wiring=wiring) as twin:
        port = str(server.sockets[0].getsockname()[1])
        words, environment = command(
            interpreter,
            ON_BOARD / "simulated.py",
            str(settings),
            port,
            str(samples),
            search=(FIRMWARE / "sim",),
        )
        environment["WHEELPIT_TWIN_PORT"] = str(twin.port)
        process = await asyncio.create_subprocess_exec(
            *words, env=environment, stdout=asyncio.subprocess.PIPE, stderr=None
        )
        story = Story(process)
        try:
            await script(twin, story)
        finally:
            if process.returncode is None:
                process.kill()
            await process.wait()
            server.close()
    return story


@BOTH
def test_pins_follow_the_plant_and_the_network_the_twin(interpreter: str, tmp_path: Path) -> None:
    async def script(twin: ScriptedTwin, story: Story) -> None:
        told = await story.until(lambda line: line["what"] == "board")
        assert told["chip"] == "7a11c0de"
        assert (told["reset"], told["random"]) == ("power", 8)
        await story.until(lambda line: line["what"] == "connected")
        live = await story.until(lambda line: line.get("gap_ms") is not None and line["faults"] == [None] * 5)
        rpm, rectified, volts, amps, degc = live["values"]
        assert rpm == pytest.approx(40_000, rel=0.02)  # the offset of the clocks is still being learned
        assert rectified == pytest.approx(20_800, abs=26)  # a code of the converter is 25 mV there
        assert (volts, amps) == (pytest.approx(13_500, abs=2), pytest.approx(5_400, abs=2))
        assert degc == pytest.approx(800, abs=9)
        assert live["state"] == "turning"

        twin.mean = {**twin.mean, "charge_a": -1.5}
        twin.link = False
        # An open connection ends at once, a new one is refused.
        await story.until(lambda line: line["what"] in {"ended", "refused"})
        refused = await story.until(lambda line: line["what"] == "refused")
        assert (refused["wlan"], refused["address"]) == (False, None)
        twin.link = True
        await story.until(lambda line: line["what"] == "connected")
        live = await story.until(lambda line: line["what"] == "live")
        assert live["values"][3] == pytest.approx(-1_500, abs=2)

        twin.switches = {"9": 1}
        await story.until(lambda line: line.get("state") == "parked")
        twin.switches = {}
        twin.rpm = 0.0
        await story.until(lambda line: line.get("state") == "stopped")
        record = await story.until(lambda line: line["what"] == "record")
        assert record["span_ms"] >= 1_000

    asyncio.run(play(interpreter, tmp_path, 10_000, script))


@BOTH
def test_finer_chips_and_a_phase_follow_the_plant(interpreter: str, tmp_path: Path) -> None:
    wiring = {
        "i2c": {
            "64": {"chip": "ina228", "bus": "battery_v", "shunt": "charge_a", "shunt_uohm": 1500},
            "72": {
                "chip": "ads1115",
                "inputs": {"1": {"channel": "rectified_v", "mv_per_unit": 3300 / 103.3, "zero_mv": 0}},
            },
        },
        "edges": {"15": "wheel", "16": "alternator"},
    }
    channels = {
        "battery_v": {"chip": "ina228", "address": 64, "reads": "bus"},
        "charge_a": {
            "chip": "ina228", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 27_000
        },
        "rectified_v": {"chip": "ads1115", "address": 72, "input": 1, "gain_ppm": 31_303_030},
        "battery_degc": {"chip": "ds18b20", "wire_pin": 22},
    }  # fmt: skip

    async def script(twin: ScriptedTwin, story: Story) -> None:
        twin.alternator_hz = 8 * 187 / 60
        live = await story.until(
            lambda line: (
                line.get("gap_ms") is not None
                and line["faults"] == [None] * 5 + ["absent"]
                and line["values"][1]
            )
        )
        rpm, alternator, rectified, volts, amps, degc = live["values"]
        assert rpm == pytest.approx(40_000, rel=0.02)
        assert alternator == pytest.approx(187_000, rel=0.02)
        assert rectified == pytest.approx(20_800, abs=5)
        assert (volts, amps) == (pytest.approx(13_500, abs=1), pytest.approx(5_400, abs=1))
        assert degc is None  # no thermometer is simulated on a wire

    asyncio.run(
        play(
            interpreter,
            tmp_path,
            10_000,
            script,
            wiring,
            channels=channels,
            alternator={"pin": 16, "pulses_per_turn": 8},
        )
    )


@BOTH
def test_without_the_twin_nothing_is_read_and_with_it_all_comes_back(
    interpreter: str, tmp_path: Path
) -> None:
    async def script(twin: ScriptedTwin, story: Story) -> None:
        await story.until(lambda line: line["what"] == "live" and line["faults"] == [None] * 5)
        await twin.stop()
        live = await story.until(lambda line: line["what"] == "live" and line["faults"][2] == "bus")
        assert live["values"][2] is None
        assert live["values"][3] is None
        await twin.start()
        live = await story.until(lambda line: line["what"] == "live" and line["faults"] == [None] * 5)
        assert live["values"][2] == pytest.approx(13_500, abs=2)
        assert len(twin.hellos) == 2

    asyncio.run(play(interpreter, tmp_path, 10_000, script))


@BOTH
def test_a_restart_ends_the_process_so_that_its_parent_starts_it_again(
    interpreter: str, tmp_path: Path
) -> None:
    async def script(twin: ScriptedTwin, story: Story) -> None:
        await story.until(lambda line: line["what"] == "live")
        assert await asyncio.wait_for(story.process.wait(), 20) == 42

    asyncio.run(play(interpreter, tmp_path, 12, script))


@BOTH
def test_without_a_port_or_a_twin_it_says_so(interpreter: str, tmp_path: Path) -> None:
    async def start(port: str | None) -> tuple[int | None, str]:
        words, environment = command(interpreter, ON_BOARD / "simulated.py", search=(FIRMWARE / "sim",))
        environment.pop("WHEELPIT_TWIN_PORT", None)
        if port is not None:
            environment["WHEELPIT_TWIN_PORT"] = port
        process = await asyncio.create_subprocess_exec(
            *words, env=environment, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
        )
        out, _ = await asyncio.wait_for(process.communicate(), 20)
        return process.returncode, out.decode()

    code, text = asyncio.run(start(None))
    assert code
    assert "WHEELPIT_TWIN_PORT is not set" in text
    code, text = asyncio.run(start("1"))
    assert code
    assert "no twin answers on port 1" in text
