"""The whole node on a board in virtual time. Arguments: the port where the owner of the time listens.

Every hour it says how the memory stands, with the words of `micropython.mem_info` on its console.
"""

import asyncio
import gc
import json
import os
import sys

import micropython

gc.threshold(8192)  # as `main.py` does before anything else takes memory

import ram_flash  # noqa: E402 - after that
import virtual_board  # noqa: E402 - the same
import virtual_time  # noqa: E402 - the same

from node import app  # noqa: E402 - the same

HOUR_MS = 3_600_000
LOOK_MS = 300_000  # what is under way at a moment comes and goes: the least of an hour is what stays


def prepare(board, told):
    """Mount the flash, on which the settings lie; a new one is formatted first."""
    try:
        ram_flash.mount(board.flash, virtual_board.ROOT)
    except OSError:
        ram_flash.make(board.flash)
        ram_flash.mount(board.flash, virtual_board.ROOT)
    try:
        os.stat(virtual_board.ROOT + "/settings.json")
    except OSError:
        with open(virtual_board.ROOT + "/settings.json", "w") as file:
            json.dump(told["settings"], file)
    if "others" in os.listdir(virtual_board.ROOT):
        os.remove(virtual_board.ROOT + "/others")


async def probe(board, base):
    """Tell every hour of memory, flash, and how even the sampling was; base: what was in use before the node was made."""
    errors = board.pickup.errors
    hour = -1
    least, most = 1 << 30, 0
    while True:
        gc.collect()
        used = gc.mem_alloc()
        least, most = min(least, used), max(most, used)
        if board.time.now_ms // HOUR_MS == hour:
            await asyncio.sleep_ms(LOOK_MS - board.time.now_ms % LOOK_MS)
            continue
        hour = board.time.now_ms // HOUR_MS
        print("memory", board.time.now_ms, least, most)
        micropython.mem_info()
        over = {}
        for ms in range(len(errors)):
            if errors[ms]:
                over[str(ms)] = errors[ms]
        told = {
            "at_ms": board.time.now_ms,
            "least": least,
            "most": most,
            "base": base,
            "errors_ms": over,
            "hottest": max(board.flash.erases),
            "erases": sum(board.flash.erases),
            "modules": sorted([name for name in sys.modules if name.startswith("node")]),
        }
        board.line.say("p", json.dumps(told).encode())
        over = told = None
        least, most = 1 << 30, 0
        await asyncio.sleep_ms(LOOK_MS - board.time.now_ms % LOOK_MS)


async def main():
    line = virtual_board.Line(int(sys.argv[1]))
    told = line.hello()
    virtual = virtual_time.VirtualTime(told["now_ms"])
    virtual.install()
    board = virtual_board.Board(line, told, virtual, asyncio.Event)
    prepare(board, told)
    for name in told["modules"]:
        __import__(name)  # what the node would load when it needs it
    told = None
    gc.collect()
    base = gc.mem_alloc()
    running = asyncio.create_task(app.run(board, virtual_board.ROOT))
    probing = asyncio.create_task(probe(board, base))
    await running
    probing.cancel()


asyncio.run(main())
