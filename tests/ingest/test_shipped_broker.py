"""The shipped configuration in a real broker: each may do its own work, and nothing else."""

from __future__ import annotations

import json
import os
import threading
from typing import TYPE_CHECKING, Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from wheelpit.broker import files
from wheelpit.broker.files import Made, host_user
from wheelpit.ingest.address import Broker
from wheelpit.ingest.probe import probe

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow


@pytest.fixture
def made(field: Any, needs: Callable[[str], str], start: Any, make: Any, tmp_path: Path) -> Made:
    program = needs("mosquitto")
    found = _make(tmp_path / "broker", make.site, field.port)
    broker = start(program, "-c", str(found.config), name="mosquitto")
    field.wait(lambda: probe(Broker("127.0.0.1", field.port), None, 1.0).outcome != "nothing listens", broker)
    return found


def _make(folder: Path, site: str, port: int) -> Made:
    found = files.make(folder, site, ["wheel", "battery"], port=port, bind="127.0.0.1")
    if os.geteuid() == 0:
        # As root it would become another user, to whom this folder is closed.
        with found.config.open("a") as file:
            file.write("user root\n")
    return found


def said_of(port: int, user: str, password: str, topics: list[str]) -> dict[str, str]:
    """Publish on topics as a user and return what the broker said of each."""
    said: dict[int, str] = {}
    ready, asked = threading.Event(), {}
    client = Client(CallbackAPIVersion.VERSION2, client_id=f"try-{user}", protocol=MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = lambda *_: ready.set()
    client.on_publish = lambda _client, _data, mid, reason, _properties: said.update({mid: str(reason)})
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert ready.wait(10)
        for topic in topics:
            info = client.publish(topic, b"{}", 1)
            asked[topic] = info.mid
            info.wait_for_publish(10)
        return {topic: said[mid] for topic, mid in asked.items()}
    finally:
        client.disconnect()
        client.loop_stop()


def test_host_and_node_work_with_the_shipped_files(made: Made, field: Any, make: Any) -> None:
    service = field.serve(
        "--broker-user", host_user(make.site), "--broker-password-file", str(made.host_password)
    )
    held = json.loads(made.node_secrets["wheel"].read_text())
    node = field.node(*(make.record(n) for n in range(1, 601)))
    node.client.username_pw_set(held["broker_user"], held["broker_password"])
    with node:
        field.wait(lambda: node.done, service)
    assert service.terminate() == 0
    assert field.booked() == [(n, 1000 + n) for n in range(1, 601)]


def test_each_is_kept_to_its_own_topics(made: Made, field: Any, make: Any) -> None:
    host = made.host_password.read_text().strip()
    held = json.loads(made.node_secrets["wheel"].read_text())
    address = Broker("127.0.0.1", field.port, host_user(make.site), host)
    assert probe(address, make.site).outcome == "good"
    # Nobody without a password, nobody with the wrong one.
    for user, password in ((None, None), (host_user(make.site), "guess"), ("someone", host)):
        found = probe(Broker("127.0.0.1", field.port, user, password), make.site)
        assert found.outcome == "not authorised", user
    # A node speaks for itself, not for another node and not for the host.
    root = f"wheelpit/1/{make.site}"
    may = [f"{root}/wheel/record", f"{root}/wheel/status"]
    may_not = [
        f"{root}/battery/record",
        f"{root}/wheel/receipt",
        f"{root}/battery/time",
        f"{root}/host/status",
        "wheelpit/1/elsewhere/wheel/record",
    ]
    said = said_of(field.port, held["broker_user"], held["broker_password"], may + may_not)
    assert all(said[topic] != "Not authorized" for topic in may), said
    assert all(said[topic] == "Not authorized" for topic in may_not), said
    # The host answers nodes and does not speak for them.
    said = said_of(field.port, host_user(make.site), host, [f"{root}/wheel/receipt", f"{root}/wheel/record"])
    assert said[f"{root}/wheel/receipt"] != "Not authorized"
    assert said[f"{root}/wheel/record"] == "Not authorized"
