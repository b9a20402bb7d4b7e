"""The node with brokers of others: mosquitto as at a real site, and the one that the demo embeds."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from contextlib import AsyncExitStack, asynccontextmanager
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from interpreters import FIRMWARE, running
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from scripted_broker import Published
from scripted_host import NODE, SITE, ScriptedHost, settings
from scripted_twin import ScriptedTwin
from test_whole_node import HEAP

from wheelpit.contract import topics
from wheelpit.contract.messages import Birth, Status
from wheelpit.contract.names import SEQ_PER_BOOT

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from paho.mqtt.client import MQTTMessage

pytestmark = pytest.mark.slow
STATUS = topics.from_node(SITE, NODE, "status")
BIRTH = topics.from_node(SITE, NODE, "birth")


class PahoBroker:
    """What `ScriptedHost` needs of a broker, through a client library of others."""

    def __init__(self, port: int, user: str | None = None, password: str | None = None) -> None:
        self.on_publish: Callable[[Published], None] | None = None
        self.retained: dict[str, bytes] = {}
        self.host: ScriptedHost | None = None
        self.client = Client(CallbackAPIVersion.VERSION2, "host", protocol=MQTTv5)
        self.client.username_pw_set(user, password)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._connected
        self.client.on_message = self._came
        self.client.connect_async("127.0.0.1", port)
        self.client.loop_start()

    def _connected(self, client: Client, *_: Any) -> None:
        client.subscribe(f"wheelpit/1/{SITE}/{NODE}/#", qos=1)
        if self.host is not None:
            self.host.say_status(online=True)

    def _came(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        payload = bytes(message.payload)
        self.retained[message.topic] = payload
        if self.on_publish is not None and not message.topic.endswith(("/receipt", "/time")):
            told = (message.topic, payload, message.qos, message.mid, message.retain, message.dup)
            self.on_publish(Published(0, *told, at_s=0.0))

    def say(self, topic: str, payload: dict[str, Any], *, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, json.dumps(payload), qos=qos, retain=retain)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Mosquitto:
    """A mosquitto that can be killed and started again, with the settings of a real site but nothing kept."""

    def __init__(self, program: str, folder: Path, port: int, *lines: str) -> None:
        self.program, self.port = program, port
        self.config = folder / "mosquitto.conf"
        told = [f"listener {port} 127.0.0.1", "persistence false", "set_tcp_nodelay true", *lines]
        self.config.write_text("\n".join(told) + "\n")

    async def start(self) -> None:
        self.process = await asyncio.create_subprocess_exec(
            self.program, "-c", str(self.config), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        await until(self.answers)

    async def answers(self) -> bool:
        assert self.process.returncode is None, "mosquitto does not start"
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", self.port)
        except OSError:
            return False
        writer.close()
        return True

    async def kill(self) -> None:
        if self.process.returncode is None:
            self.process.kill()
            await self.process.wait()


async def until(condition: Any, timeout_s: float = 40.0) -> None:
    loop = asyncio.get_running_loop()
    end_s = loop.time() + timeout_s
    while True:
        found = condition()
        if await found if asyncio.iscoroutine(found) else found:
            return
        assert loop.time() < end_s, "this did not happen"
        await asyncio.sleep(0.02)


@asynccontextmanager
async def running_node(folder: Path, port: int) -> AsyncIterator[Any]:
    async with AsyncExitStack() as stack:
        twin = await stack.enter_async_context(ScriptedTwin())
        (folder / "settings.json").write_text(settings(port))
        node = running(
            "micropython",
            "node_probe.py",
            str(folder),
            "60",
            search=(FIRMWARE / "sim",),
            heap=HEAP,
            environment={"WHEELPIT_TWIN_PORT": str(twin.port)},
        )
        yield await stack.enter_async_context(node)


def test_killing_mosquitto_costs_no_record_and_the_last_will_speaks(
    tmp_path: Path, needs: Callable[[str], str], free_port: Callable[[], int]
) -> None:
    async def play() -> None:
        mosquitto = Mosquitto(needs("mosquitto"), tmp_path, free_port(), "allow_anonymous true")
        await mosquitto.start()
        broker = PahoBroker(mosquitto.port)
        host = broker.host = ScriptedHost(broker)  # type: ignore[arg-type]

        def stored() -> list[int]:
            return [seq - SEQ_PER_BOOT for found in host.stored.values() for seq in found]

        try:
            async with running_node(tmp_path, mosquitto.port):
                await until(lambda: len(stored()) >= 1)
                assert (
                    msgspec.json.decode(broker.retained[BIRTH], type=Birth).board == "linux, simulated plant"
                )
                await mosquitto.kill()
                had = len(stored())
                await asyncio.sleep(0.5)
                await mosquitto.start()
                await until(lambda: len(stored()) >= had + 2)
                numbers = stored()
                assert numbers == list(range(1, len(numbers) + 1))
                assert msgspec.json.decode(broker.retained[STATUS], type=Status).state == "online"
            # The node was ended without a word.
            await until(lambda: b"offline" in broker.retained[STATUS])
        finally:
            broker.close()
            await mosquitto.kill()

    asyncio.run(play())


def test_mosquitto_tells_a_wrong_password_from_a_right_one(
    tmp_path: Path, needs: Callable[[str], str], free_port: Callable[[], int]
) -> None:
    passwords = tmp_path / "passwords"
    words = [needs("mosquitto_passwd"), "-c", "-b", str(passwords), "wheel", "right"]
    subprocess.run(words, check=True, capture_output=True)

    async def play(password: str) -> Any:
        mosquitto = Mosquitto(
            needs("mosquitto"),
            tmp_path,
            free_port(),
            "allow_anonymous false",
            f"password_file {passwords}",
            "user root",
        )
        await mosquitto.start()
        try:
            told = {"port": mosquitto.port, "user": "wheel", "password": password, "count": 3, "seconds": 1}
            async with running("micropython", "client_probe.py", json.dumps(told)) as probe:
                return await probe.finished()
        finally:
            await mosquitto.kill()

    right, wrong = asyncio.run(play("right")), asyncio.run(play("wrong"))
    assert (right["published"], right["errors"]) == (3, [])
    assert wrong["published"] == 0
    assert "broker_user" in wrong["errors"][0][1]


def test_works_with_the_broker_that_the_demo_embeds(tmp_path: Path, free_port: Callable[[], int]) -> None:
    node_port, host_port = free_port(), free_port()
    script = (
        "import sys, time, pathlib; from wheelpit.demo.broker import start_broker; "
        f"broker = start_broker(pathlib.Path({str(tmp_path)!r}), {node_port}, {host_port}); "
        "print('ready', flush=True); sys.stdin.read()"
    )

    async def play() -> None:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", script, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            await asyncio.wait_for(process.stdout.readuntil(b"ready\n"), 30)
            broker = PahoBroker(host_port)
            host = broker.host = ScriptedHost(broker)  # type: ignore[arg-type]
            try:
                async with running_node(tmp_path, node_port):
                    await until(lambda: [len(found) for found in host.stored.values()] == [2])
            finally:
                broker.close()
        finally:
            process.kill()
            await process.communicate()

    asyncio.run(play())
