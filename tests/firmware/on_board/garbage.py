"""Reports how many bytes of the heap a sample takes, with the collector off: a line of JSON with bytes by case.

Chips and pins are such that they take none themselves. Cases: nothing but the wheel standing, everything fitted and
turning, and the same with a record at the end of every ten seconds.
"""

import gc
import json

from node.clock import Clock
from node.sampler import Sampler
from node.settings import Settings

REGISTERS = {
    64: {0x00: 0x485F, 0x01: 3240, 0x02: 10800, 0x05: 2048, 0xFE: 0x5449, 0xFF: 0x2260},
    69: {
        0x00: 0x0010,
        0x01: 0xB943,
        0x04: 96000 << 4,
        0x05: 69120 << 4,
        0x09: 0,
        0x0A: 0,
        0x3E: 0x5449,
        0x3F: 0x2281,
    },
    72: {0x00: 16000, 0x01: 0xD323},
}


class Bus:
    """Two monitors and a converter whose registers never change."""

    def readfrom_mem_into(self, address, register, buffer):
        value = REGISTERS[address][register]
        i = len(buffer) - 1
        while i >= 0:
            buffer[i] = value & 0xFF
            value >>= 8
            i -= 1

    def writeto_mem(self, address, register, buffer):
        pass

    def recover(self):
        pass


class Adc:
    def read_u16(self):
        return 13196


class Edges:
    exact = True
    lost = 0
    installed = 0

    def __init__(self, board, period_us):
        self.board = board
        self.period_us = period_us
        self.next_us = period_us

    def read_into(self, ticks):
        count = 0
        while self.period_us and self.next_us <= self.board.now_us and count < len(ticks):
            ticks[count] = self.next_us
            count += 1
            self.next_us += self.period_us
        return count


class Board:
    def __init__(self, turning):
        self.now_us = 0
        self.turning = turning
        self.bus = Bus()
        self.records = 0

    def ticks_us(self):
        return self.now_us

    def ticks_ms(self):
        return self.now_us // 1000

    def i2c(self, *_pins):
        return self.bus

    def adc(self, pin):
        return Adc()

    def edges(self, pin):
        return Edges(self, (1500000 if pin == 15 else 40000) if self.turning else 0)

    def append(self, rec):
        self.records += 1


WHEEL = {"pin": 15, "magnets": 4, "cutin_mrpm": 6700}
SHUNT = {"reads": "current", "shunt_uohm": 1500, "range_ma": 27000}
FULL = {
    "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
    "charge_a": dict(SHUNT, chip="ina226", address=64),
    "rectified_a": dict(SHUNT, chip="ina228", address=69),
    "rectified_v": {"chip": "ads1115", "address": 72, "input": 1, "gain_ppm": 31303030},
    "battery_degc": {"chip": "adc", "pin": 27, "gain_ppm": 10000000, "zero_mv": 500},
}


def measured(channels, *, turning, samples, from_sample):
    told = {"site": "s", "node": "n", "broker": {"host": "h"}, "wheel": WHEEL, "channels": channels}
    if channels:
        told["i2c"] = {"sda": 4, "scl": 5}
        told["alternator"] = {"pin": 16, "pulses_per_turn": 8}
    board = Board(turning)
    sampler = Sampler(Settings(told, {}), board, Clock(board.ticks_ms), 1, board)
    gc.collect()
    gc.disable()
    used = 0
    most = 0
    i = 0
    while i < samples:
        board.now_us += 100000
        before = gc.mem_alloc()
        sampler.sample()
        took = gc.mem_alloc() - before
        if i >= from_sample:
            used += took
            most = max(most, took)
        i += 1
    gc.enable()
    return {"mean": used // (samples - from_sample), "most": most, "records": board.records}


print(
    json.dumps(
        {
            "standing": measured({}, turning=False, samples=95, from_sample=40),
            "full": measured(FULL, turning=True, samples=95, from_sample=40),
            "records": measured(FULL, turning=True, samples=400, from_sample=100),
        }
    )
)
