"""Keeps the node's tasks running: a task that fails is logged and started again, one that hangs starves the dog.

Only while every task has shown in time that it lives is the watchdog fed. A task that fails again and again
restarts the board.
"""

import asyncio
import gc

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Awaitable, Callable, Protocol

    from node.log import Log

    Work = Callable[[Callable[[], None]], Awaitable[None]]

    class Watchdog(Protocol):
        """Restarts the board unless it is fed in time."""

        def feed(self) -> None:
            """Feed it."""


FEED_MS = 500  # how often the heartbeats are looked at
WATCHDOG_MS = 8000
FIRST_PAUSE_MS = 1000
LONGEST_PAUSE_MS = 60000
STORM = 5  # failures of one task ...
STORM_MS = 600000  # ... within this time restart the board


class _Task:
    __slots__ = ("beat_ms", "failed_ms", "limit_ms", "name", "restarts", "work")

    def __init__(self, name: str, work: "Work", limit_ms: int) -> None:
        self.name = name
        self.work = work
        self.limit_ms = limit_ms
        self.beat_ms = 0
        self.restarts = 0
        self.failed_ms: list[int] = []  # when the last failures were


class Supervisor:
    """Runs tasks for ever. `watchdog` has `feed()`; `restart()` restarts the board and does not return."""

    def __init__(
        self, now_ms: "Callable[[], int]", watchdog: "Watchdog", restart: "Callable[[], None]", log: "Log"
    ) -> None:
        self._now_ms = now_ms
        self._watchdog = watchdog
        self._restart = restart
        self._log = log
        self._tasks: list[_Task] = []
        self._running: list[asyncio.Task[None]] = []
        self._late = ""
        self.on_late: "Callable[[], None] | None" = (
            None  # called once when a task hangs: a restart may be near
        )

    def add(self, name: str, work: "Work", limit_ms: int) -> None:
        """Add a task: `await work(beat)` must run for ever and call `beat()` at least every `limit_ms`."""
        self._tasks.append(_Task(name, work, limit_ms))

    def restarts(self) -> "dict[str, int]":
        """Return how often each task has been started again since boot, for those that were."""
        return {task.name: task.restarts for task in self._tasks if task.restarts}

    async def run(self) -> None:
        """Start every task, and feed the watchdog while all of them live."""
        for task in self._tasks:
            task.beat_ms = self._now_ms()
            self._running.append(asyncio.create_task(self._keep(task)))
        while True:
            self.look()
            await asyncio.sleep_ms(FEED_MS)

    def look(self) -> None:
        """Feed the watchdog if every heartbeat is fresh; say once which one is not."""
        now_ms = self._now_ms()
        for task in self._tasks:
            if now_ms - task.beat_ms > task.limit_ms:
                if self._late != task.name:
                    self._late = task.name
                    self._log.fault("task %s has not moved for %d ms" % (task.name, now_ms - task.beat_ms))
                    if self.on_late is not None:
                        self.on_late()
                return
        self._late = ""
        self._watchdog.feed()

    async def _keep(self, task: _Task) -> None:
        def beat() -> None:
            task.beat_ms = self._now_ms()

        while True:
            try:
                await task.work(beat)
                self._log.fault("task %s ended, which it never should" % task.name)
            except Exception as error:
                self._report(task, error)
            pause_ms = self._count(task)
            while pause_ms > 0:
                beat()  # waiting is not hanging
                await asyncio.sleep_ms(min(pause_ms, FEED_MS))
                pause_ms -= FEED_MS

    def _report(self, task: _Task, error: Exception) -> None:
        gc.collect()  # the commonest cause is memory, and a report needs some
        try:
            self._log.failure("task " + task.name, error)
        except MemoryError:
            print("task", task.name, "failed, and there is no memory to say how")

    def _count(self, task: _Task) -> int:
        """Count a failure and return how long to wait; restart the board when there are too many."""
        now_ms = self._now_ms()
        task.restarts += 1
        task.failed_ms = [at for at in task.failed_ms if now_ms - at < STORM_MS]
        task.failed_ms.append(now_ms)
        if len(task.failed_ms) >= STORM:
            self._log.fault("task %s failed %d times in %d min" % (task.name, STORM, STORM_MS // 60000))
            self._restart()
        return min(FIRST_PAUSE_MS << len(task.failed_ms) - 1, LONGEST_PAUSE_MS)
