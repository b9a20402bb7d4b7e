"""Measures on the simulated board and keeps a connection open, telling a line of JSON for everything that happens.

Arguments: the file of the settings, the port of a server, and how many samples to take; then it restarts the board.
"""

import asyncio
import json
import sys

import hal

from node.clock import Clock
from node.sampler import Sampler
from node.settings import Settings


class Journal:
    def append(self, rec):
        tell(
            "record", mean=rec.mean, faults=rec.faults, state=rec.state, total=rec.total, span_ms=rec.span_ms
        )


def tell(what, **facts):
    facts["what"] = what
    print(json.dumps(facts))


async def keep_connected(board, port):
    while True:
        try:
            reader, writer = await board.open_connection("127.0.0.1", port)
            tell("connected")
            writer.write(b"hello\n")
            await writer.drain()
            while await reader.read(10):
                pass
            tell("ended")
        except OSError:
            tell("refused", wlan=board.wlan.connected(), address=board.wlan.address())
        await asyncio.sleep(0.5)


async def main():
    board = hal.board()
    with open(sys.argv[1]) as file:
        settings = Settings(json.load(file), {})
    clock = Clock(board.ticks_ms)
    sampler = Sampler(settings, board, clock, 1, Journal())
    watchdog = board.watchdog(8000)
    left = [int(sys.argv[3])]
    tell("board", chip=board.chip, reset=board.reset_cause(), random=len(board.random_bytes(8)))

    def beat():
        watchdog.feed()
        left[0] -= 1
        if left[0] == 0:
            board.restart()
        if left[0] % 5 == 0:
            now = sampler.snapshot()
            tell("live", values=now.values, faults=now.faults, state=now.state, gap_ms=now.edge_gap_ms)

    connection = asyncio.create_task(keep_connected(board, int(sys.argv[2])))
    await sampler.run(beat)
    connection.cancel()


asyncio.run(main())
