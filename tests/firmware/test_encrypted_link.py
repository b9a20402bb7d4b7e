"""The whole node on MicroPython behind an encrypted listener of mosquitto, with the certificates that we make."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
from contextlib import AsyncExitStack, asynccontextmanager
from importlib import import_module
from typing import TYPE_CHECKING, Any

import pytest
from interpreters import FIRMWARE, running
from scripted_host import NODE, SITE, settings
from scripted_twin import ScriptedTwin
from test_real_brokers import until
from test_whole_node import HEAP

from wheelpit.broker import files
from wheelpit.broker.files import Encryption, host_user
from wheelpit.ingest.address import Broker, Certificates
from wheelpit.ingest.probe import probe

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

NAME = "127.0.0.1"


def keys(folder: Path, port: int, *names: str) -> files.Made:
    told = Encryption(names=names, require_certificates=True)
    made = files.make(folder, SITE, [NODE], port=port, bind="127.0.0.1", encryption=told)
    if os.geteuid() == 0:
        with made.config.open("a") as file:
            file.write("user root\n")
    return made


def broker_of(made: files.Made, port: int, ca: Path | None = None, host: str = NAME) -> Broker:
    own = made.config.parent / "keys" / "host.pem"
    told = Certificates(ca or made.ca or own, own, own.with_name("host-key.pem"))
    return Broker(host, port, host_user(SITE), made.host_password.read_text().strip(), told)


@asynccontextmanager
async def mosquitto(program: str, made: files.Made, port: int) -> AsyncIterator[None]:
    process = await asyncio.create_subprocess_exec(
        program, "-c", str(made.config), stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
    )
    try:
        await until(lambda: probe(broker_of(made, port), SITE, 1.0).outcome == "good")
        yield
    finally:
        process.kill()
        await process.wait()


@asynccontextmanager
async def node(folder: Path, made: files.Made, port: int, ca: Path | None = None) -> AsyncIterator[Any]:
    """Run a node whose folder holds what `wheelpit keys` made for it, or another authority's certificate."""
    shutil.copytree(made.node_secrets[NODE].parent, folder)
    if ca is not None:
        shutil.copy(ca, folder / "ca.der")
    secrets = json.loads((folder / "secrets.json").read_text()) | {
        "wifi_ssid": "mill",
        "wifi_password": "race",
    }
    (folder / "secrets.json").write_text(json.dumps(secrets))
    told = json.loads(settings(port)) | {"tls": {"server_name": NAME, "client_certificate": True}}
    (folder / "settings.json").write_text(json.dumps(told))
    async with AsyncExitStack() as stack:
        twin = await stack.enter_async_context(ScriptedTwin())
        yield await stack.enter_async_context(
            running(
                "micropython",
                "node_probe.py",
                str(folder),
                "60",
                search=(FIRMWARE / "sim",),
                heap=HEAP,
                environment={"WHEELPIT_TWIN_PORT": str(twin.port)},
            )
        )


# paho leaves a socket whose handshake failed to the garbage collector.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.slow
def test_f08_a_node_delivers_over_an_encrypted_connection_and_refuses_a_stranger(
    tmp_path: Path, needs: Callable[[str], str], free_port: Callable[[], int]
) -> None:
    program, port = needs("mosquitto"), free_port()
    made = keys(tmp_path / "broker", port, NAME)
    other = keys(tmp_path / "other", free_port(), NAME)

    async def play() -> None:
        async with mosquitto(program, made, port):
            assert probe(broker_of(made, port, other.ca), SITE, 2.0).outcome == "other authority"
            assert probe(broker_of(made, port, host="localhost"), SITE, 2.0).outcome == "other name"
            plain = Broker(NAME, port, host_user(SITE), made.host_password.read_text().strip())
            assert probe(plain, SITE, 2.0).outcome == "not MQTT 5"
            births: list[bytes] = []
            client = await asyncio.to_thread(listen, broker_of(made, port), births)
            try:
                async with node(tmp_path / "good", made, port):
                    await until(lambda: births)
            finally:
                client.disconnect()
                client.loop_stop()
            # The same node with another authority's certificate takes this broker for a stranger.
            async with node(tmp_path / "bad", made, port, tmp_path / "other/authority/ca.der") as stranger:
                for _ in range(30):
                    line = await stranger.line()
                    if "certificate" in line:
                        break
                assert (
                    "the broker's certificate is not of our authority, or not for the name 127.0.0.1" in line
                )

    asyncio.run(play())


def listen(broker: Broker, births: list[bytes]) -> Any:
    """Connect as the host and collect the births of the node that come, not those that are kept."""
    paho: Any = import_module("paho.mqtt.client")
    enums: Any = import_module("paho.mqtt.enums")
    client = paho.Client(enums.CallbackAPIVersion.VERSION2, "listener", protocol=paho.MQTTv5)
    broker.prepare(client)
    client.on_message = lambda _client, _data, message: births.append(message.payload)
    client.on_connect = lambda found, *_: found.subscribe(f"wheelpit/1/{SITE}/{NODE}/birth", qos=1)
    client.connect(broker.host, broker.port)
    client.loop_start()
    return client
