"""Runs the node's MQTT client against a broker that a test scripts, and reports as JSON.

The one argument is a JSON object: port, count (messages to publish, -1: without end), size, seconds, and anything that
the client takes. It publishes the numbers 0, 1, 2 ... at QoS 1 until it hears `stop` or the seconds are over, and
connects again whenever the connection ends.
"""

import asyncio
import gc
import json
import sys
import time

from node.mqtt import Client
from node.packets import Message

WARM = 200  # messages after which memory must not grow any more


def now_ms():
    return time.time_ns() // 1000000


class Probe:
    def __init__(self, told):
        self.left = told.pop("count", -1)
        self.live = told.pop("live", False)
        port = told.pop("port")
        self.seconds = told.pop("seconds", 0)
        self.message = Message("probe/number", qos=1, retain=False, size=told.pop("size", 32))
        self.unimportant = Message("probe/live", qos=0, retain=False, size=8)
        will = Message("probe/will", qos=1, retain=True, size=8)
        will.fill(b"gone")
        self.number = 0
        self.heard = []
        self.errors = []
        self.ticks = 0
        self.memory = []
        self.stopped = False
        told["subscribe"] = tuple(told.get("subscribe", ("probe/stop",)))
        self.client = Client(
            asyncio.open_connection,
            now_ms,
            "127.0.0.1",
            port,
            "probe",
            source=self.next_message,
            on_message=self.take,
            on_up=lambda: None,
            last_will=will,
            **told,
        )

    def next_message(self, room, _now_ms):
        if not room or self.left == 0:
            if self.live:
                self.live = False
                self.unimportant.fill(b"now")
                return self.unimportant
            return None
        self.left -= 1
        self.message.fill(f"{self.number:08d}".encode())
        self.number += 1
        if self.number in (WARM, 5 * WARM):
            gc.collect()
            self.memory.append(gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0)
        return self.message

    def take(self, topic, payload, retained):
        if topic == b"probe/stop":
            self.stopped = True
        else:
            self.heard.append([topic.decode(), payload.decode(), retained])

    async def tick(self):
        while True:
            self.ticks += 1
            await asyncio.sleep_ms(10)

    async def connect(self):
        while True:
            ticks = self.ticks
            try:
                await self.client.run(lambda: None)
            except Exception as error:  # noqa: BLE001 - what it is is the report
                print("failed")
                self.errors.append([_kind(error), str(error), self.ticks - ticks])
            await asyncio.sleep_ms(20)

    async def run(self):
        tasks = [asyncio.create_task(self.tick()), asyncio.create_task(self.connect())]
        end_ms = now_ms() + self.seconds * 1000
        while not self.stopped and (not self.seconds or now_ms() < end_ms):
            await asyncio.sleep_ms(20)
        report = {
            "connects": self.client.connects,
            "published": self.number,
            "oversize": self.client.oversize,
            "heard": self.heard,
            "errors": self.errors,
            "memory": self.memory,
        }
        print(json.dumps(report))
        for task in tasks:
            task.cancel()


def _kind(error):
    for kind in (EOFError, OSError):
        if isinstance(error, kind):
            return kind.__name__
    return type(error).__name__


asyncio.run(Probe(json.loads(sys.argv[1])).run())
