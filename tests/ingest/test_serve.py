"""The whole service in this process, on the embedded broker that the demo uses."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.demo.broker import start_broker
from wheelpit.ingest.address import Broker
from wheelpit.ingest.serve import AlreadyRunningError, Options, Service, StateError, only_one
from wheelpit.places import running
from wheelpit.plant import demo_plant_path
from wheelpit.store.ledger import Ledger
from wheelpit.store.live import LiveReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

BOOT = SEQ_PER_BOOT


class Messenger:
    def __init__(self) -> None:
        self.told: list[str] = []

    def start(self) -> None:
        self.told.append("start")

    def tend(self) -> None:
        self.told.append("tend")

    def stop(self) -> None:
        self.told.append("stop")


@pytest.fixture
def ports(state: Path, free_port: Callable[[], int]) -> Iterator[tuple[int, int]]:
    """An embedded broker: one port for MQTT 3.1.1, one for MQTT 5."""
    chosen = free_port(), free_port()
    broker = start_broker(state, *chosen)
    yield chosen
    broker.stop()


class Running:
    def __init__(self, options: Options) -> None:
        self.service = Service(options)
        self.error: BaseException | None = None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.service.run()
        except BaseException as error:  # noqa: BLE001 - handed to the test
            self.error = error

    def end(self) -> None:
        self.service.stop()
        self.thread.join(30)
        assert not self.thread.is_alive()


def test_records_go_in_and_receipts_come_out(
    ports: tuple[int, int], state: Path, field: Any, make: Any, caplog: pytest.LogCaptureFixture
) -> None:
    messenger = Messenger()
    options = Options(demo_plant_path(), state, Broker("127.0.0.1", ports[1]), messenger=messenger)
    run = Running(options)
    try:
        field.wait(lambda: running(state, "serve"))
        field.port = ports[1]
        with field.node(*(make.record(n) for n in range(1, 201))) as node:
            field.wait(lambda: node.done)
            node.client.publish(node.topic("live"), json.dumps(make.live()), 0)
            node.client.publish(
                node.topic("status"), json.dumps({"state": "online", "journal": make.journal, "boot": 1}), 1
            )
            field.wait(lambda: LiveReader(state / "live.db").latest(make.site))
            field.wait(lambda: field.reader.nodes(make.site)[0].online)
            assert node.host_online
            run.service.stop()
            field.wait(lambda: not node.host_online)
    finally:
        run.end()
    assert run.error is None
    assert running(state, "serve") is None
    assert field.booked() == [(n, 1000 + n) for n in range(1, 201)]
    assert messenger.told[0] == "start"
    assert messenger.told[-1] == "stop"


def test_only_one_service_may_work_on_a_folder(state: Path) -> None:
    with (
        only_one(state),
        pytest.raises(AlreadyRunningError, match="end it first, or give another folder"),
        only_one(state),
    ):
        pass
    with only_one(state):
        pass


def test_it_loads_nothing_that_a_small_computer_cannot_afford() -> None:
    """Where the board and the accounts are not running, their libraries are not in memory either."""
    program = (
        "import sys, wheelpit.ingest.serve, wheelpit.commands.serve\n"
        "print(sorted({'pandas', 'streamlit', 'numpy', 'apprise', 'pyarrow'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("content", "words"), [(None, "cannot be read"), (b"\n", "is empty"), (b"\xff\xfe", "cannot be read")]
)
def test_a_password_file_that_cannot_be_used_is_named(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    file = tmp_path / "password"
    if content is not None:
        file.write_bytes(content)
    told = CliRunner().invoke(main, ["serve", "--plant", "x", "--broker-password-file", str(file)])
    assert told.exit_code == 2
    assert words in told.output


def test_a_missing_plant_is_named(tmp_path: Path) -> None:
    told = CliRunner().invoke(
        main, ["serve", "--plant", str(tmp_path / "plant.toml"), "--state", str(tmp_path)]
    )
    assert told.exit_code == 2
    assert "plant.toml" in told.output


def test_a_folder_that_cannot_be_written_is_an_error_a_person_can_read(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Ledger, now_ms: int) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Ledger, "begin_start", full)
    service = Service(Options(demo_plant_path(), state, Broker("127.0.0.1", 1)))
    with pytest.raises(StateError, match=r"disk is full\. Look for a full or failing disk") as told:
        service.run()
    assert told.value.exit_code != 0
