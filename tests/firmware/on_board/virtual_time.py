"""Time that a script owns, for the asyncio of MicroPython: nothing waits, every sleep is over at once.

The scheduler's own ticks are replaced. They begin ahead of the real ones, since tasks that are to run at once are queued
by the interpreter with real ticks and must not seem to lie in the future.
"""

from asyncio import core

_AHEAD_MS = 1 << 40


class VirtualTime:
    """now_ms: the time. pass_until(target_ms) is called when every task sleeps and must move `now_ms`, at most so far."""

    def __init__(self, now_ms, pass_until=None):
        self.now_ms = now_ms
        self.pass_until = pass_until or self.jump

    def jump(self, target_ms):
        """Go to a moment at once."""
        self.now_ms = target_ms

    def install(self):
        """Take the place of the real time in asyncio."""
        core.ticks = lambda: self.now_ms + _AHEAD_MS
        core.IOQueue.wait_io_event = self._wait

    def _wait(self, dt):
        if dt > 0:
            self.pass_until(self.now_ms + dt)
