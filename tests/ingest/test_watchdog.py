"""A loop that falls silent ends the process."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from wheelpit.ingest.watchdog import EXIT_CODE, Watchdog

if TYPE_CHECKING:
    import pytest


def test_a_silent_loop_ends_the_process(caplog: pytest.LogCaptureFixture) -> None:
    ended = threading.Event()
    codes: list[int] = []

    def end(code: int) -> None:
        codes.append(code)
        ended.set()

    beats = {"writer": time.monotonic, "network": lambda: time.monotonic() - 400}
    watchdog = Watchdog(beats, 300, end, look_s=0.01)
    watchdog.start()
    assert ended.wait(20)
    watchdog.join(20)
    assert codes == [EXIT_CODE]
    assert all(codes), "the service manager must see a failure"
    assert "the network has been silent for 400 s" in caplog.text


def test_living_loops_are_left_alone() -> None:
    looked = threading.Event()
    count = [0]

    def beat() -> float:
        count[0] += 1
        if count[0] > 5:
            looked.set()
        return time.monotonic()

    def end(code: int) -> None:
        raise AssertionError(code)

    watchdog = Watchdog({"writer": beat}, 300, end, look_s=0.01)
    watchdog.start()
    assert looked.wait(20)
    watchdog.stop()
    watchdog.join(20)
    assert not watchdog.is_alive()
