"""Publishes 70,000 messages at QoS 1 to a broker that lives in memory, and reports the packet ids as JSON.

The broker acknowledges at once, except that it keeps every 1000th message waiting until 1000 more have come: its id is
in flight while the others go round.
"""

import asyncio
import json
import time

from node.mqtt import Client
from node.packets import Message

MANY = 70000
LATE = 1000


class Stub:
    """Both ends of a connection in one object, as MicroPython's streams are."""

    def __init__(self):
        self.answers = bytearray()
        self.came = asyncio.Event()
        self.ids = set()  # in flight
        self.again = 0  # ids that came while they were in flight
        self.least = 65536
        self.most = 0
        self.count = 0
        self.kept = b""
        self.transport = self

    def abort(self):
        pass

    def close(self):
        pass

    async def wait_closed(self):
        pass

    def write(self, packet):
        kind = packet[0] & 0xF0
        if kind == 0x10:
            self.answer(b"\x20\x02\x00\x00")
        elif kind == 0x30:
            self.published(bytes(packet))

    def published(self, packet):
        at = 4 + packet[3]  # short packets: one byte of length, and of the topic's
        packet_id = packet[at] << 8 | packet[at + 1]
        self.again += packet_id in self.ids
        self.ids.add(packet_id)
        self.least = min(self.least, packet_id)
        self.most = max(self.most, packet_id)
        self.count += 1
        if self.count % LATE == 0:
            late, self.kept = self.kept, packet[at : at + 2]
        else:
            late = packet[at : at + 2]
        if late:
            self.ids.discard(late[0] << 8 | late[1])
            self.answer(b"\x40\x02" + late)

    async def drain(self):
        await asyncio.sleep(0)

    def answer(self, packet):
        self.answers += packet
        self.came.set()

    async def readexactly(self, length):
        while len(self.answers) < length:
            self.came.clear()
            await self.came.wait()
        data = bytes(self.answers[:length])
        self.answers = self.answers[length:]
        return data


class Numbers:
    def __init__(self):
        self.message = Message("many/number", qos=1, retain=False, size=8)
        self.left = MANY

    def next_message(self, room, _now_ms):
        if not room or not self.left:
            return None
        self.left -= 1
        self.message.fill(b"12345678")
        return self.message


async def main():
    stub = Stub()
    numbers = Numbers()

    async def opener(_host, _port):
        return stub, stub

    client = Client(
        opener,
        lambda: time.time_ns() // 1000000,
        "stub",
        1883,
        "many",
        source=numbers.next_message,
        on_message=None,
        on_up=lambda: None,
    )
    running = asyncio.create_task(client.run(lambda: None))
    while stub.count < MANY:
        await asyncio.sleep_ms(20)
    running.cancel()
    print(json.dumps({"count": stub.count, "again": stub.again, "least": stub.least, "most": stub.most}))


asyncio.run(main())
