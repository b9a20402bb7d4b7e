"""`wheelpit board`: it says where it is, keeps to its port, and takes everything with it when it ends."""

from __future__ import annotations

import signal
import socket
import subprocess
import urllib.request
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit import places
from wheelpit.cli import main
from wheelpit.commands import board

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.dashboards.conftest import Running, Site


def test_a_taken_port_is_refused_with_a_way_out(state: Path, free_port: Callable[[], int]) -> None:
    port = free_port()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        result = CliRunner().invoke(main, ["board", "--port", str(port)])
    assert result.exit_code == 2
    assert f"port {port} on 127.0.0.1 is taken" in result.stderr
    assert "--port" in result.stderr


def test_a_plant_file_that_is_not_there_is_refused(state: Path) -> None:
    result = CliRunner().invoke(main, ["board", "--plant", "nowhere.toml"])
    assert result.exit_code == 2
    assert "nowhere.toml: there is no such plant file" in result.stderr


def test_a_second_board_for_the_same_folder_is_refused(state: Path) -> None:
    with places.announce(state, "board", url="http://127.0.0.1:1", port=1):
        result = CliRunner().invoke(main, ["board"])
    assert result.exit_code == 2
    assert "runs already at http://127.0.0.1:1" in result.stderr


def test_a_free_port_is_free() -> None:
    port = board.free_port()
    with socket.socket() as mine:
        mine.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        mine.bind(("127.0.0.1", port))
        mine.listen()
        assert board.free_port() != port


def test_it_is_started_on_the_loopback_address_and_tells_nobody() -> None:
    told = board.arguments(18_700)
    assert "--server.address=127.0.0.1" in told
    assert "--browser.gatherUsageStats=false" in told
    assert "--server.fileWatcherType=none" in told


def test_every_way_to_write_all_addresses_is_refused(state: Path) -> None:
    # inet(3): parts may be left out, and numbers may begin with 0 or 0x; from memory.
    for address in ("0.0.0.0", "0", "00.0x0", "", "224.0.0.1", "255.255.255.255"):  # noqa: S104 - refused
        result = CliRunner().invoke(main, ["board", "--listen", address])
        assert result.exit_code == 2, address
        assert f"--listen {address}: " in result.stderr


@pytest.mark.parametrize("more", [[], ["--port", "18642"]])
def test_an_address_of_another_machine_is_refused(state: Path, more: list[str]) -> None:
    # RFC 5737: 203.0.113.0/24 is for documentation, no machine has it; from memory.
    result = CliRunner().invoke(main, ["board", "--listen", "203.0.113.7", *more])
    assert result.exit_code == 2
    assert "--listen 203.0.113.7: this machine has no such address" in result.stderr


def test_the_address_is_that_of_the_server_and_of_the_pages() -> None:
    told = board.arguments(18_700, "127.0.0.2")
    assert "--server.address=127.0.0.2" in told
    assert "--browser.serverAddress=127.0.0.2" in told


def test_only_when_told_is_there_a_code_and_it_is_another_each_time(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    codes = []

    class Child:
        """A board that ended before it began."""

        def __init__(self, _: list[str], *, env: dict[str, str], **__: object) -> None:
            codes.append(env["WHEELPIT_BENCH_CODE"])

        def poll(self) -> int:
            return 0

    monkeypatch.setattr(subprocess, "Popen", Child)
    monkeypatch.setattr(board, "_answers", lambda *_: False)
    # One that lies about opens nothing.
    monkeypatch.setenv("WHEELPIT_BENCH_CODE", "0badcafe")
    for told in (["--bench"], ["--bench"], []):
        assert CliRunner().invoke(main, ["board", *told]).exit_code == 0
    first, second, without = codes
    assert len(first) == len(second) == 8
    assert first != second
    assert without == ""


@pytest.mark.slow
@pytest.mark.parametrize("told", [signal.SIGTERM, signal.SIGINT])
def test_it_announces_its_address_and_leaves_nothing_running(
    running: Running, site: Site, told: signal.Signals
) -> None:
    with urllib.request.urlopen(f"{running.url}/_stcore/health", timeout=10) as answer:  # noqa: S310 - our own http address
        assert answer.status == 200
    before = {path: path.stat().st_mtime_ns for path in site.state.iterdir() if path.name != "running"}
    running.process.send_signal(told)
    out, err = running.process.communicate(timeout=30)
    assert running.process.returncode == 0, err
    assert f"The board is at {running.url}" in out
    assert places.running(site.state, "board") is None
    with socket.socket() as closed, pytest.raises(ConnectionRefusedError):
        closed.connect(("127.0.0.1", running.port))
    assert before == {
        path: path.stat().st_mtime_ns for path in site.state.iterdir() if path.name != "running"
    }
