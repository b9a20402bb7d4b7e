"""What every test may ask for: a state folder of its own, a free port, a system program."""

from __future__ import annotations

import os
import shutil
import socket
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A state folder that only this test sees, also for the commands it starts."""
    folder = tmp_path / "state"
    folder.mkdir()
    monkeypatch.setenv("WHEELPIT_STATE", str(folder))
    return folder


@pytest.fixture
def free_port() -> Callable[[], int]:
    """Return a function that gives a free loopback port, below the range from which systems pick for clients."""

    def give() -> int:
        for port in range(20000 + os.getpid() * 97 % 10000, 32000):
            with socket.socket() as probe:
                try:
                    probe.bind(("127.0.0.1", port))
                except OSError:
                    continue
                if port not in _given:
                    _given.add(port)
                    return port
        pytest.fail("no free port between 20000 and 32000 on 127.0.0.1")

    return give


_given: set[int] = set()


@pytest.fixture
def needs() -> Callable[[str], str]:
    """Return a function that gives the path of a system program, or skips; with WHEELPIT_FULL=1 it fails."""

    def find(program: str) -> str:
        found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
        if found is None:
            text = f"{program} is not installed; .ci/run installs it"
            if os.environ.get("WHEELPIT_FULL") == "1":
                pytest.fail(text)
            pytest.skip(text)
        return found

    return find
