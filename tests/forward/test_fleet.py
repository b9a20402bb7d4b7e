"""Two hosts with a site each forward into one database, which gives the books of both: real processes throughout."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from tests.ingest.mqtt_node import SimNode, record_json

from wheelpit.cli import main
from wheelpit.commands.forward import command as forward_command
from wheelpit.plant import demo_plant_path
from wheelpit.store.database import BUCKET, TOKEN, TOKEN_FILE, URL
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SITES = ("sallow-ghyll", "upper-leat")
RECORDS = 40

pytestmark = pytest.mark.slow


class Node(SimNode):
    """The node of one of several sites at one broker."""

    def __init__(self, site: str, port: int, records: list[dict[str, Any]]) -> None:
        super().__init__(port, records)
        self.site = site
        self.client._client_id = f"node-of-{site}".encode()

    def topic(self, kind: str, node: str = "wheel") -> str:
        return f"wheelpit/1/{self.site}/{node}/{kind}"


def until(what: Callable[[], Any], patience_s: float = 60.0) -> None:
    end = time.monotonic() + patience_s
    while not what():
        if time.monotonic() > end:
            pytest.fail(f"waited {patience_s:.0f} s in vain")
        time.sleep(0.05)


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_two_hosts_one_database_and_the_books_of_both(
    influx: Any, needs: Callable[[str], str], free_port: Callable[[], int], tmp_path: Path
) -> None:
    port = free_port()
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    token = tmp_path / "token"
    token.write_text(influx.where.token + "\n")
    with ExitStack() as stack:

        def start(name: str, *command: str, **environment: str) -> subprocess.Popen[bytes]:
            log = stack.enter_context((tmp_path / f"{name}.log").open("wb"))
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env={**os.environ, **environment}
            )
            stack.callback(child.wait)
            stack.callback(child.kill)
            return child

        start("broker", needs("mosquitto"), "-c", str(config))
        until(lambda: answers(port))
        forwarders = []
        nodes: list[Node] = []
        for place, site in enumerate(SITES):
            plant = tmp_path / f"{site}.toml"
            text = demo_plant_path().read_text(encoding="utf-8")
            plant.write_text(text.replace(f'id = "{SITES[0]}"', f'id = "{site}"'), encoding="utf-8")
            wheelpit = (sys.executable, "-m", "wheelpit")
            told = ("--plant", str(plant), "--state", str(tmp_path / site), "--broker-port", str(port))
            start(f"serve-{site}", *wheelpit, "serve", *told)
            place_of = {URL: influx.where.url, BUCKET: influx.where.bucket, TOKEN_FILE: str(token)}
            forwarders.append(
                start(f"forward-{site}", *wheelpit, "forward", "--state", str(tmp_path / site), **place_of)
            )
            # Each wheel gives another energy, so that a mixed-up site shows.
            records = [record_json(n) for n in range(1, RECORDS + 1)]
            for record in records:
                record["total"]["charge_mwh"] *= place + 1
            node = stack.enter_context(Node(site, port, records))
            nodes.append(node)
        until(lambda: all(node.done for node in nodes))
        command = {URL: influx.where.url, BUCKET: influx.where.bucket, TOKEN: influx.where.token}

        def books(site: str, store: str) -> dict[str, Any]:
            told = ("books", "--site", site, "--json", "--state", str(tmp_path / site), "--store", store)
            done = CliRunner().invoke(main, told, env=command)
            assert done.exit_code == 0, done.output
            found: dict[str, Any] = json.loads(done.stdout)
            return found

        def arrived() -> bool:
            rows = influx.query('SELECT count("seq") FROM "wheelpit_record"')
            return bool(rows) and rows[0]["values"][0][1] == RECORDS * len(SITES)

        until(arrived)
        for site in SITES:
            (day,) = LedgerReader(tmp_path / site / FILE).days(site)
            assert day.records == RECORDS
            assert books(site, "influx") == books(site, "ledger")
        for child in forwarders:
            child.send_signal(signal.SIGTERM)
            assert child.wait(30) == 0
    # A command with a token on its line does not exist: every process of the machine could read it.
    assert "token" not in {option.name for option in forward_options()}


def forward_options() -> list[Any]:
    return list(forward_command.params)
