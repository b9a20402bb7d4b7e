"""Teaches CPython's `time` and `asyncio` the few names that MicroPython adds and the firmware uses.

`install()` may be called more than once. The firmware itself is not changed: `run_cpython.py` and the tests
put this folder on the path and call it first.
"""

import asyncio
import sys
import time
import traceback

_PERIOD = 1 << 62


def _ticks_ms() -> int:
    return time.monotonic_ns() // 1_000_000 % _PERIOD


def _ticks_us() -> int:
    return time.monotonic_ns() // 1_000 % _PERIOD


def _ticks_add(ticks: int, delta: int) -> int:
    return (ticks + delta) % _PERIOD


def _ticks_diff(end: int, start: int) -> int:
    return (end - start + _PERIOD // 2) % _PERIOD - _PERIOD // 2


async def _sleep_ms(delay: int) -> None:
    await asyncio.sleep(delay / 1000)


async def _wait_for_ms(awaitable: object, timeout_ms: int) -> object:
    return await asyncio.wait_for(awaitable, timeout_ms / 1000)  # type: ignore[arg-type]


def _print_exception(error: BaseException, file: object = None) -> None:
    traceback.print_exception(error, file=file or sys.stdout)  # type: ignore[call-overload]


def install() -> None:
    """Add the names."""
    added = (
        (time, "ticks_ms", _ticks_ms),
        (time, "ticks_us", _ticks_us),
        (time, "ticks_add", _ticks_add),
        (time, "ticks_diff", _ticks_diff),
        (time, "sleep_ms", lambda delay: time.sleep(delay / 1000)),
        (asyncio, "sleep_ms", _sleep_ms),
        (asyncio, "wait_for_ms", _wait_for_ms),
        (sys, "print_exception", _print_exception),
    )
    for module, name, function in added:
        if not hasattr(module, name):
            setattr(module, name, function)
