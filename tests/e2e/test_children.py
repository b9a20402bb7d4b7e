"""What the board starts does not outlive it, even when the board is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from wheelpit.children import tied_to_parent

pytestmark = pytest.mark.skipif(tied_to_parent() is None, reason="this system has no word for it")

_PARENT = """
import subprocess, sys, time
from wheelpit.children import tied_to_parent
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"],
                         start_new_session=True, preexec_fn=tied_to_parent())
print(child.pid, flush=True)
time.sleep(60)
"""


def _alive(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


def test_a_child_ends_when_its_parent_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", _PARENT], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert _alive(child)
        os.kill(parent.pid, signal.SIGKILL)
        parent.wait(10)
    deadline = time.monotonic() + 10
    while _alive(child) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not _alive(child)
