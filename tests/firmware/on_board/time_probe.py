"""Asks a time server as the node does, a few times, and prints what became of the clock and what was noted."""

import asyncio
import json
import os
import sys
import time

from node.clock import Clock
from node.fields import Part
from node.log import Log
from node.netsettings import TimeSettings
from node.resolve import Resolver
from node.timekeeper import Timekeeper


class Wlan:
    def connected(self):
        return True

    def address(self):
        return "127.0.0.1"


class Board:
    wlan = Wlan()

    def random_bytes(self, count):
        return os.urandom(count)


async def run():
    port, turns, host_ms = [int(word) for word in sys.argv[1:4]]
    clock = Clock(lambda: time.ticks_ms() & 0x3FFFFFFF)
    if host_ms:
        clock.offer(host_ms, clock.up_ms(), clock.up_ms())
    noted = []
    log = Log(clock.up_ms, say=noted.append)
    told = TimeSettings(Part("time", {"servers": ["127.0.0.1"], "port": port}, []))
    keeper = Timekeeper(Board(), told, clock, log, Resolver())
    beats = [0]

    def beat():
        beats[0] += 1

    seen = []
    for _ in range(turns):
        await keeper.turn(beat)
        keeper.servers[0].not_before_ms = 0
        seen.append([clock.quality, clock.unix_ms(0), clock.up_ms()])
    print(json.dumps({"seen": seen, "noted": noted, "gone": keeper.servers[0].gone, "beats": beats[0]}))


asyncio.run(run())
