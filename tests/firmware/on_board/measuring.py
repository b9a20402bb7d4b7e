"""Measures for a minute of a clock that the script moves, and prints every record as a line of JSON.

The one argument names a file with a JSON object: settings, from_us (the board's ticks at the start), spacing_deg and rpm of the
wheel, bus_v and amps at the monitor 64, raw of the analogue inputs, seconds to run, anchor_ms (Unix time told after
5 s).
"""

import json
import sys

import chips
import finechips

from node.chipsettings import crc8
from node.clock import Clock
from node.sampler import Sampler
from node.settings import Settings

WRAP = 1 << 30


class Part:
    def __init__(self, chip):
        self.chip = chip


class Wire:
    """A thermometer at 21.5 degrees that has converted before."""

    pad = b"\x58\x01\x4b\x46\x7f\xff\x0c\x10"

    def reset(self):
        self.at = 0
        return True

    def writebyte(self, value):
        pass

    def readbyte(self):
        self.at += 1
        return self.pad[self.at - 1] if self.at <= 8 else crc8(self.pad)


class Cell:
    """A load cell with 400 000 codes on it."""

    def ready(self):
        return True

    def read(self, pulses):
        return 400000


class Adc:
    def __init__(self, raw):
        self.raw = raw

    def read_u16(self):
        return self.raw


class Edges:
    exact = True
    lost = 0
    installed = 0

    def __init__(self, board, told, spacing, gear):
        self.board = board
        self.told = told
        self.spacing = spacing
        self.gear = gear
        self.next_us = 50000.0
        self.passed = 0

    def read_into(self, ticks):
        spacing = self.spacing
        count = 0
        while self.next_us <= self.board.now_us:
            ticks[count] = (int(self.next_us) + self.board.from_us) % WRAP
            count += 1
            self.next_us += spacing[self.passed % len(spacing)] / (6 * self.gear * self.told["rpm"]) * 1000000
            self.passed += 1
        return count


class Board:
    def __init__(self, told):
        self.told = told
        self.from_us = told["from_us"]
        self.now_us = 0
        kind = told["settings"]["channels"]["battery_v"]["chip"]
        self.monitor = finechips.Ina228Chip() if kind == "ina228" else chips.Ina226Chip()
        self.converter = finechips.Ads1115Chip()
        parts = {64: Part(self.monitor), 72: Part(self.converter)}
        self.bus = chips.I2cBus(parts, lambda: None, lambda: True)
        self.records = []

    def ticks_us(self):
        return (self.now_us + self.from_us) % WRAP

    def ticks_ms(self):
        return (self.now_us + self.from_us) // 1000 % WRAP

    def i2c(self, *_pins):
        return self.bus

    def adc(self, pin):
        return Adc(self.told["raw"])

    def edges(self, pin):
        if pin == 16:  # one phase of an alternator with eight pole pairs, 18 times as fast
            return Edges(self, self.told, [45] * 8, 18)
        return Edges(self, self.told, self.told["spacing_deg"], 1)

    def one_wire(self, pin):
        return Wire()

    def clocked_in(self, data, clock):
        return Cell()

    def append(self, rec):
        fields = ("n", "boot", "up_ms", "dur_ms", "span_ms", "end_ms", "clock", "state")
        fields += ("mean", "min", "max", "total", "faults")
        print(json.dumps({name: getattr(rec, name) for name in fields}))


def main(told):
    board = Board(told)
    clock = Clock(board.ticks_ms)
    sampler = Sampler(Settings(told["settings"], {}), board, clock, 3, board)
    while board.now_us < told["seconds"] * 1000000:
        ms = sampler.recorder.until_next_ms(clock.tick()) + 2
        board.now_us += 1000 * ms
        board.monitor.feed(1000 * ms, told["bus_v"], told["amps"] * 0.0015)
        board.converter.feed(1000 * ms, [0.0, 20800 * 3.3 / 103.3, 600 + 0.123 * 4800, 0.0])
        sampler.sample()
        if clock.anchor_ms is None and board.now_us > 5000000:
            clock.offer(told["anchor_ms"], clock.up_ms(), clock.up_ms())


with open(sys.argv[1]) as file:
    main(json.load(file))
