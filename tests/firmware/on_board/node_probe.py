"""Runs the node as `main.py` does and prints its memory in use every second, and the longest it stood still."""

import asyncio
import gc
import json
import sys
import time

import hal

import main  # noqa: F401 - sets how memory is collected, before anything else takes some
from node import app


async def measure(seconds):
    memory = [0] * seconds
    longest_ms = 0
    for i in range(seconds):
        for _ in range(20):
            began = time.ticks_ms()
            await asyncio.sleep_ms(50)
            longest_ms = max(longest_ms, time.ticks_diff(time.ticks_ms(), began) - 50)
        gc.collect()
        memory[i] = gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0
    print(json.dumps({"memory": memory, "longest_ms": longest_ms}))


async def run():
    running = asyncio.create_task(app.run(hal.board(), sys.argv[1]))
    await measure(int(sys.argv[2]))
    running.cancel()


asyncio.run(run())
