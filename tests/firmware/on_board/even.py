"""Runs the whole node in real time while the link fails and flash holds everything up; reports how even it samples.

Arguments: a port where something listens that is no broker, one where nothing does, seconds, and what each erasure of
the flash takes [ms]; the first takes 400. Prints a line of JSON: errors of the period in microseconds, sorted.
"""

import asyncio
import gc
import json
import os
import sys
import time

gc.threshold(8192)  # as `main.py` does

import ram_flash  # noqa: E402 - after that

from node import app  # noqa: E402 - the same

ROOT = "/flash"
DEAF, ABSENT, SECONDS, STALL_MS = (int(word) for word in sys.argv[1:5])
SETTINGS = {
    "site": "mill",
    "node": "wheel",
    "broker": {"host": "127.0.0.1", "port": 1883},
    "wheel": {"pin": 15, "magnets": 4, "fastest_rpm": 120, "cutin_mrpm": 6700, "cutout_mrpm": 6300},
    "i2c": {"sda": 4, "scl": 5},
    "channels": {
        "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
        "charge_a": {
            "chip": "ina226",
            "address": 64,
            "reads": "current",
            "shunt_uohm": 1500,
            "range_ma": 50000,
        },
        "rectified_v": {"chip": "adc", "pin": 26, "full_mv": 3300, "gain_ppm": 31303030},
    },
}
REGISTERS = {0x00: 0x485F, 0x01: 3240, 0x02: 10800, 0x05: 2048, 0xFE: 0x5449, 0xFF: 0x2260}


class Flash(ram_flash.RamFlash):
    """A flash whose erasures hold up the processor."""

    stalls = 0
    ready = False

    def _operate(self, block, offset, data):
        if data is None and self.ready:
            self.stalls += 1
            time.sleep_ms(400 if self.stalls == 1 else STALL_MS)
        return super()._operate(block, offset, data)


class Bus:
    def readfrom_mem_into(self, address, register, buffer):
        value = REGISTERS[register]
        buffer[0] = value >> 8
        buffer[1] = value & 0xFF

    def writeto_mem(self, address, register, buffer):
        pass

    recover = writeto_mem


class Edges:
    """A wheel at 40 rpm; it notes when it is asked."""

    exact, lost, installed = True, 0, 0

    def __init__(self):
        self.next_us = time.ticks_us()
        self.asked_us = None
        self.errors_us = []

    def read_into(self, ticks):
        now_us = time.ticks_us()
        if self.asked_us is not None:
            self.errors_us.append(abs(time.ticks_diff(now_us, self.asked_us) - 100000))
        self.asked_us = now_us
        count = 0
        while time.ticks_diff(now_us, self.next_us) >= 0 and count < len(ticks):
            ticks[count] = self.next_us & 0x3FFFFFFF
            count += 1
            self.next_us = time.ticks_add(self.next_us, 375000)
        return count


class Board:
    name, chip = "bench", "7a11"

    def __init__(self):
        self.wlan = self
        self.pickup = Edges()
        self.opened = 0

    def reset_cause(self):
        return "power"

    def ticks_ms(self):
        return time.ticks_ms() & 0x3FFFFFFF

    def ticks_us(self):
        return time.ticks_us() & 0x3FFFFFFF

    def i2c(self, *_pins):
        return Bus()

    def adc(self, _pin):
        return self

    def read_u16(self):
        return 13196

    def edges(self, _pin):
        return self.pickup

    def connect(self, _ssid, _password):
        pass

    def connected(self):
        return True

    def address(self):
        return "127.0.0.1"

    async def open_connection(self, _host, _port):
        self.opened += 1
        return await asyncio.open_connection("127.0.0.1", ABSENT if self.opened % 3 == 0 else DEAF)

    def watchdog(self, _timeout_ms):
        return self

    def feed(self):
        pass

    def restart(self):
        sys.exit(42)

    def random_bytes(self, count):
        return os.urandom(count)


async def main():
    flash = Flash(64)
    ram_flash.make(flash)
    ram_flash.mount(flash, ROOT)
    with open(ROOT + "/settings.json", "w") as file:
        json.dump(SETTINGS, file)
    board = Board()
    running = asyncio.create_task(app.run(board, ROOT))
    await asyncio.sleep(2)
    flash.ready = True
    board.pickup.errors_us = []
    await asyncio.sleep(SECONDS)
    errors_us = board.pickup.errors_us
    errors_us.sort()
    print(json.dumps({"errors_us": errors_us, "stalls": flash.stalls, "opened": board.opened}))
    running.cancel()


asyncio.run(main())
