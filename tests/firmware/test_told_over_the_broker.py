"""A person tells a running node something: the commands' own module, the demo's broker, the firmware on MicroPython."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from interpreters import FIRMWARE, command
from scripted_host import NODE, SITE, ScriptedHost, settings
from scripted_twin import ScriptedTwin
from test_real_brokers import PahoBroker, until
from test_whole_node import HEAP

from wheelpit.cli import main
from wheelpit.ingest.address import Broker
from wheelpit.node import remote

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

pytestmark = pytest.mark.slow
RESTART = 42  # the exit code by which the simulated board says that it restarts


@asynccontextmanager
async def demo_broker(folder: Path, node_port: int, host_port: int) -> AsyncIterator[None]:
    script = (
        "import sys, pathlib; from wheelpit.demo.broker import start_broker; "
        f"broker = start_broker(pathlib.Path({str(folder)!r}), {node_port}, {host_port}); "
        "print('ready', flush=True); sys.stdin.read()"
    )
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", script, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        await asyncio.wait_for(process.stdout.readuntil(b"ready\n"), 30)
        yield
    finally:
        process.kill()
        await process.communicate()


@asynccontextmanager
async def board(folder: Path, starts: list[int | None]) -> AsyncIterator[None]:
    """Run the firmware as a board does: whenever it ends, it is started again."""
    async with ScriptedTwin() as twin:
        words, environment = command(
            "micropython", FIRMWARE / "main.py", str(folder), search=(FIRMWARE / "sim",), heap=HEAP
        )
        environment |= {"WHEELPIT_TWIN_PORT": str(twin.port)}

        async def run() -> None:
            while True:
                process = await asyncio.create_subprocess_exec(
                    *words, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                )
                try:
                    await process.wait()
                    starts.append(process.returncode)
                    environment["WHEELPIT_RESET"] = "restart"
                finally:
                    if process.returncode is None:
                        process.kill()
                        await process.wait()

        task = asyncio.create_task(run())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def test_orders_and_settings_reach_a_node_and_its_answers_come_back(
    tmp_path: Path, free_port: Callable[[], int]
) -> None:
    node_port, host_port = free_port(), free_port()
    where = Broker("127.0.0.1", host_port)
    told: dict[str, Any] = json.loads(settings(node_port)) | {
        "lamp": "LED",
        "parked_pin": 14,
        "guard": {"buzzer_pin": 17, "rectified": {"limit_mv": 50_000}},
    }
    (tmp_path / "settings.json").write_text(json.dumps(told))
    starts: list[int | None] = []
    lines: list[str] = []

    async def ordered(what: Any) -> str:
        answer = await asyncio.to_thread(remote.order, where, SITE, NODE, what)
        return f"{answer.state} {answer.why}".strip()

    async def sent(**changed: Any) -> Any:
        return await asyncio.to_thread(
            remote.send_settings, where, SITE, NODE, told | changed, wait_s=60, tell=lines.append
        )

    async def play() -> None:
        async with demo_broker(tmp_path, node_port, host_port):
            broker = PahoBroker(host_port)
            host = broker.host = ScriptedHost(broker)  # type: ignore[arg-type]
            try:
                with pytest.raises(remote.RemoteError, match="knows no node wheel"):
                    await ordered("identify")
                async with board(tmp_path, starts):
                    await until(lambda: bool(host.stored))
                    assert await ordered("identify") == "done"
                    assert await ordered("quiet") == "done"
                    found = await sent(record_s=7)
                    assert found.state == "refused"
                    assert found.problems[0].startswith("record_s 7: use 5, 6, 10")
                    assert starts == []
                    found = await sent(record_s=6)
                    assert (found.state, found.in_force, starts) == ("applied", found.revision, [RESTART])
                    assert any("tries them" in line for line in lines)
                    # It goes on in the same journal.
                    ((journal, seqs),) = host.stored.items()
                    await until(lambda: host.stored[journal][-1] >> 24 == 2)
                    assert sorted(seqs) == seqs
                    shown = CliRunner().invoke(
                        main, ["node", "state", NODE, "--site", SITE, "--broker-port", str(host_port)]
                    )
                    assert shown.exit_code == 0, shown.output
                    assert f"settings   revision {found.revision} is in force" in shown.output
                    assert "last fault" in shown.output
                    assert await ordered("restart") == "done"
                    await until(lambda: starts == [RESTART, RESTART])
                await until(lambda: b"offline" in broker.retained[f"wheelpit/1/{SITE}/{NODE}/status"])
                with pytest.raises(remote.RemoteError, match="is not connected"):
                    await ordered("identify")
            finally:
                broker.close()

    asyncio.run(play())
    live = json.loads((tmp_path / "settings.json").read_text())
    assert live["record_s"] == 6


def test_no_broker_is_told_with_what_to_do(free_port: Callable[[], int]) -> None:
    words = ["node", "order", NODE, "identify", "--site", SITE, "--broker-port", str(free_port())]
    done = CliRunner().invoke(main, words)
    assert done.exit_code != 0
    assert "check --broker-host and --broker-port" in str(done.exception) + done.output
