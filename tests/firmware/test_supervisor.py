"""Tasks that fail come back, tasks that hang starve the watchdog, and a storm of failures restarts the board."""

from __future__ import annotations

import asyncio
from importlib import import_module
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

log_module: Any = import_module("node.log")
supervisor_module: Any = import_module("node.supervisor")


class Rig:
    """A supervisor whose clock a test sets, with a watchdog that counts."""

    def __init__(self) -> None:
        self.now_ms = 0
        self.fed = 0
        self.restarted = False
        self.printed: list[str] = []
        self.log = log_module.Log(lambda: self.now_ms, say=self.printed.append)
        self.supervisor = supervisor_module.Supervisor(lambda: self.now_ms, self, self.restart, self.log)

    def feed(self) -> None:
        self.fed += 1

    def restart(self) -> None:
        self.restarted = True
        raise asyncio.CancelledError  # a restart does not return

    def run(self, until: Callable[[], bool]) -> None:
        async def play() -> None:
            running = asyncio.create_task(self.supervisor.run())
            while not until() and not running.done():  # noqa: ASYNC110 - any condition will do
                await asyncio.sleep(0.001)
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

        asyncio.run(asyncio.wait_for(play(), 20))


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor_module, "FEED_MS", 5)
    monkeypatch.setattr(supervisor_module, "FIRST_PAUSE_MS", 5)


def failing(times: int, done: list[str]) -> Callable[[Any], Awaitable[None]]:
    async def work(beat: Callable[[], None]) -> None:
        if len(done) < times:
            done.append("failed")
            raise ZeroDivisionError
        done.append("works")
        while True:
            beat()
            await asyncio.sleep(0.001)

    return work


def test_f31_a_task_that_fails_is_logged_with_its_traceback_counted_and_started_again() -> None:
    rig = Rig()
    done: list[str] = []
    rig.supervisor.add("sampler", failing(2, done), 1000)
    rig.run(lambda: "works" in done)
    assert done == ["failed", "failed", "works"]
    assert rig.supervisor.restarts() == {"sampler": 2}
    ((_, text), *_) = rig.log.entries
    assert text.startswith("task sampler failed\nTraceback (most recent call last):")
    assert text.endswith("ZeroDivisionError")
    assert rig.printed


def test_f31_one_that_fails_leaves_the_others_alone() -> None:
    rig = Rig()
    beats: list[str] = []

    async def steady(beat: Callable[[], None]) -> None:
        while True:
            beat()
            beats.append("steady")
            await asyncio.sleep(0.001)

    done: list[str] = []
    rig.supervisor.add("steady", steady, 1000)
    rig.supervisor.add("link", failing(3, done), 1000)
    rig.run(lambda: "works" in done)
    assert len(beats) > 3
    assert rig.supervisor.restarts() == {"link": 3}


def test_a_task_that_ends_is_started_again_too() -> None:
    rig = Rig()
    done: list[str] = []

    async def ends(beat: Callable[[], None]) -> None:
        done.append("ended")

    rig.supervisor.add("link", ends, 1000)
    rig.run(lambda: len(done) == 3)
    assert rig.log.entries[0][1] == "task link ended, which it never should"


def test_f31_five_failures_within_ten_minutes_restart_the_board() -> None:
    rig = Rig()
    done: list[str] = []
    rig.supervisor.add("sampler", failing(99, done), 1000)
    rig.run(lambda: rig.restarted)
    assert len(done) == 5
    assert rig.log.entries[-1][1] == "task sampler failed 5 times in 10 min"


def test_failures_that_lie_further_apart_do_not() -> None:
    rig = Rig()
    done: list[str] = []

    async def fails_now_and_then(beat: Callable[[], None]) -> None:
        rig.now_ms += 151_000
        done.append("failed")
        raise ValueError(len(done))

    rig.supervisor.add("sampler", fails_now_and_then, 10_000_000)
    rig.run(lambda: len(done) == 12)
    assert rig.supervisor.restarts()["sampler"] >= 11


def test_f12_f28_the_watchdog_is_fed_only_while_every_task_moves() -> None:
    rig = Rig()
    moving = {"sampler": True, "link": True}

    def work(name: str) -> Callable[[Any], Awaitable[None]]:
        async def run(beat: Callable[[], None]) -> None:
            while True:
                if moving[name]:
                    beat()
                await asyncio.sleep(0.001)

        return run

    async def play() -> None:
        rig.supervisor.add("sampler", work("sampler"), 3000)
        rig.supervisor.add("link", work("link"), 10_000)
        running = asyncio.create_task(rig.supervisor.run())
        while rig.fed < 3:  # noqa: ASYNC110 - the watchdog sets no event
            await asyncio.sleep(0.001)
        moving["sampler"] = False
        await asyncio.sleep(0.01)
        rig.now_ms += 3001
        await asyncio.sleep(0.01)
        fed = rig.fed
        await asyncio.sleep(0.05)
        assert rig.fed == fed
        assert [text for _, text in rig.log.entries] == ["task sampler has not moved for 3001 ms"]
        moving["sampler"] = True
        while rig.fed == fed:  # noqa: ASYNC110 - as above
            await asyncio.sleep(0.001)
        running.cancel()

    asyncio.run(asyncio.wait_for(play(), 20))


def test_waiting_to_be_started_again_is_no_hanging(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor_module, "FIRST_PAUSE_MS", 60_000)
    rig = Rig()
    feeding = rig.feed

    def feed() -> None:
        feeding()
        rig.now_ms += 400  # time goes on, far beyond the task's limit

    monkeypatch.setattr(rig, "feed", feed)
    done: list[str] = []
    rig.supervisor.add("link", failing(1, done), 1000)
    rig.run(lambda: rig.fed == 20)
    assert done == ["failed"]


def test_the_log_keeps_the_newest_and_never_grows() -> None:
    printed: list[str] = []
    log = log_module.Log(lambda: 1234, keep=3, say=printed.append)
    for i in range(5):
        log.note(f"{i} " + "x" * 1000)
        log.note(f"{i} " + "x" * 1000)  # a repetition
    assert [text[0] for _, text in log.entries] == ["2", "3", "4"]
    assert {len(text) for _, text in log.entries} == {log_module.LONGEST}
    assert len(printed) == 5
    assert printed[0].startswith("1.234 0 x")
