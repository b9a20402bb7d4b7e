"""What the service manager is told, over a real socket."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest

from wheelpit.ingest.manager import Manager

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def listening(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[socket.socket, str]]:
    monkeypatch.chdir(tmp_path)  # the address of such a socket may have 108 bytes, the folder more
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("notify")
        listener.settimeout(5)
        yield listener, "notify"


def test_ready_alive_and_stopping(listening: tuple[socket.socket, str]) -> None:
    listener, address = listening
    manager = Manager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "7"}, process=7)
    manager.ready("serving sallow-ghyll")
    for now_s in (0.0, 1.0, 29.0, 30.0, 31.0, 61.0):
        manager.alive(now_s)
    manager.stopping()
    said = [listener.recv(4096).decode() for _ in range(5)]
    assert said[0] == "READY=1\nSTATUS=serving sallow-ghyll"
    assert said[1:4] == ["WATCHDOG=1"] * 3  # at 0, 30 and 61 s: at most half of the limit apart
    assert said[4].startswith("STOPPING=1\n")


def test_an_abstract_socket(tmp_path: Path) -> None:
    name = f"wheelpit-test-{abs(hash(str(tmp_path)))}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + name)
        listener.settimeout(5)
        Manager({"NOTIFY_SOCKET": f"@{name}"}).ready("here")
        assert listener.recv(4096) == b"READY=1\nSTATUS=here"


def test_a_watchdog_meant_for_another_process_is_not_fed(listening: tuple[socket.socket, str]) -> None:
    listener, address = listening
    manager = Manager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000", "WATCHDOG_PID": "8"}, process=7)
    manager.alive()
    manager.ready("first")
    assert listener.recv(4096) == b"READY=1\nSTATUS=first"


def test_without_a_manager_and_with_one_that_is_gone_nothing_happens(tmp_path: Path) -> None:
    Manager({}).ready("nobody hears")
    Manager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).stopping()
