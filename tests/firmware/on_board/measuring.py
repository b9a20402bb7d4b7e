"""Measures for a minute of a clock that the script moves, and prints every record as a line of JSON.

The one argument names a file with a JSON object: settings, from_us (the board's ticks at the start), spacing_deg and rpm of the
wheel, bus_v and amps at the monitor 64, raw of the analogue inputs, seconds to run, anchor_ms (Unix time told after
5 s).
"""

import json
import sys

import chips

from node.clock import Clock
from node.sampler import Sampler
from node.settings import Settings

WRAP = 1 << 30


class Bus:
    def __init__(self):
        self.chip = chips.Ina226Chip()

    def readfrom_mem_into(self, address, register, buffer):
        if address != 64:
            raise OSError(5)
        value = self.chip.read(register)
        buffer[0] = value >> 8
        buffer[1] = value & 0xFF

    def writeto_mem(self, address, register, buffer):
        if address != 64:
            raise OSError(5)
        self.chip.write(register, buffer[0] << 8 | buffer[1])

    def recover(self):
        pass


class Adc:
    def __init__(self, raw):
        self.raw = raw

    def read_u16(self):
        return self.raw


class Edges:
    exact = True
    lost = 0
    installed = 0

    def __init__(self, board, told):
        self.board = board
        self.told = told
        self.next_us = 50000.0
        self.passed = 0

    def read_into(self, ticks):
        spacing = self.told["spacing_deg"]
        count = 0
        while self.next_us <= self.board.now_us:
            ticks[count] = (int(self.next_us) + self.board.from_us) % WRAP
            count += 1
            self.next_us += spacing[self.passed % len(spacing)] / (6 * self.told["rpm"]) * 1000000
            self.passed += 1
        return count


class Board:
    def __init__(self, told):
        self.told = told
        self.from_us = told["from_us"]
        self.now_us = 0
        self.bus = Bus()
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
        return Edges(self, self.told)

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
        board.bus.chip.feed(1000 * ms, told["bus_v"], told["amps"] * 0.0015)
        sampler.sample()
        if clock.anchor_ms is None and board.now_us > 5000000:
            clock.offer(told["anchor_ms"], clock.up_ms(), clock.up_ms())


with open(sys.argv[1]) as file:
    main(json.load(file))
