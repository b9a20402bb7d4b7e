"""Starts eight nodes at once, each with another choice of what is missing, and lets the missing come after a while.

The argument names a file with a JSON object: settings, port (where a broker listens), absent (where none does). Prints for each
node, named by what was missing, how many records it had before that came and how often it connected in the end.
"""

import asyncio
import json
import os
import sys
import time

import hal

from node import app, settings

with open(sys.argv[1]) as file:
    told = json.load(file)


class Standing:
    """A plant that stands still."""

    def __init__(self):
        self.edges = {}

    def pump(self):
        pass


class Missing:
    """A board without anything but a network, of which parts may be missing."""

    name = "bench"
    chip = "7a11"

    def __init__(self, what):
        self.what = what
        self.wlan = self
        self.fed = 0

    def reset_cause(self):
        return "power"

    def ticks_ms(self):
        return time.ticks_ms() & 0x3FFFFFFF

    def ticks_us(self):
        return time.ticks_us() & 0x3FFFFFFF

    def edges(self, _pin):
        return hal.Edges(Standing(), "wheel")

    def connect(self, _ssid, _password):
        if "network" in self.what:
            raise OSError(5)

    def connected(self):
        return "network" not in self.what

    def address(self):
        return None if "network" in self.what or "address" in self.what else "127.0.0.1"

    async def open_connection(self, host, port):
        return await asyncio.open_connection(host, told["absent"] if "broker" in self.what else port)

    def watchdog(self, _timeout_ms):
        return self

    def feed(self):
        self.fed += 1

    def restart(self):
        sys.exit(42)

    def random_bytes(self, count):
        return os.urandom(count)


async def main():
    nodes = []
    tasks = []
    for choice in range(8):
        parts = ("network", "address", "broker")
        what = [parts[i] for i in range(3) if choice >> i & 1]
        secrets = {"wifi_ssid": "mill", "wifi_password": "race"}
        own = dict(told["settings"])
        own["node"] = "node-" + str(choice)
        node = app.Node(Missing(what), settings.Settings(own, secrets))
        nodes.append((" ".join(what), node))
        tasks.append(asyncio.create_task(node.run()))
    while any(node.journal.held == 0 for _, node in nodes):
        await asyncio.sleep_ms(50)
    report = {}
    for missing, node in nodes:
        report[missing] = {"records": node.journal.held, "connects": node.link.client.connects}
        node.board.what = []
    while any(node.link.client.connects == 0 for _, node in nodes):
        await asyncio.sleep_ms(50)
    for missing, node in nodes:
        report[missing]["in_the_end"] = node.link.client.connects
        report[missing]["fed"] = node.board.fed > 0
        report[missing]["restarts"] = node.supervisor.restarts()
    print(json.dumps(report))
    for task in tasks:
        task.cancel()


asyncio.run(main())
