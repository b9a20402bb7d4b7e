"""Lets the measuring side live through frames of a plant, and prints a line of JSON for each start.

The argument names a file: a line with the settings, the frames at which the board starts anew, and the channels' means
and edges of every frame of 50 ms after it: `[end_us, battery_v, charge_a, bus answers, [edges in us]]`.
"""

import json
import sys

import chips

from node.clock import Clock
from node.sampler import Sampler
from node.settings import Settings

MASK = 0x3FFFFFFF
FRAME_US = 50_000


class Edges:
    exact = True
    lost = 0
    installed = 0

    def __init__(self):
        self.waiting = []

    def read_into(self, ticks):
        count = min(len(self.waiting), len(ticks))
        for i in range(count):
            ticks[i] = self.waiting[i] & MASK
        self.waiting = self.waiting[count:]
        return count


class Board:
    """A board whose time goes from frame to frame; the sampler looks between them, at its own moments."""

    def __init__(self, told):
        self.shunt_ohm = told["channels"]["charge_a"]["shunt_uohm"] / 1e6
        self.now_us = 0
        self.answers = True
        self.monitor = chips.Ina226Chip()
        self.pickup = Edges()
        bus = chips.I2cBus({64: self}, self.nothing, self.powered)
        self.bus = bus

    @property
    def chip(self):
        return self.monitor

    def nothing(self):
        pass

    def powered(self):
        return self.answers

    def ticks_us(self):
        return self.now_us & MASK

    def ticks_ms(self):
        return self.now_us // 1000 & MASK

    def i2c(self, *_pins):
        return self.bus

    def edges(self, _pin):
        return self.pickup

    def begin(self, settings, boot):
        """Begin a start of the board."""
        self.began_us = self.now_us
        self.last = None
        self.speeds = []
        self.pickup.waiting = []
        self.boot = boot
        self.clock = Clock(self.ticks_ms)
        self.sampler = Sampler(settings, self, self.clock, boot, self)
        self.names = settings.layout.totals
        self.next_ms = 0

    def append(self, rec):
        self.last = rec
        self.speeds.append(rec.mean[0])

    def live(self, frame):
        """Live through a frame, and take the samples that fall into it."""
        end_us, volts, amps, answers, edges = frame
        begin_us = self.now_us
        waiting = list(edges)
        while True:
            sample_us = self.began_us + self.next_ms * 1000
            upto_us = min(end_us, sample_us)
            if upto_us > begin_us:
                self.monitor.feed(upto_us - begin_us, volts, amps * self.shunt_ohm)
                begin_us = upto_us
            while waiting and waiting[0] <= upto_us:
                self.pickup.waiting.append(waiting.pop(0))
            if sample_us > end_us:
                break
            self.now_us = sample_us
            self.answers = bool(answers)
            self.sampler.sample()
            self.next_ms += self.sampler.recorder.until_next_ms(self.clock.tick())
        self.now_us = end_us

    def tell(self):
        """Print what was counted up to the last record."""
        rec = self.last
        if rec is not None:
            told = {"began_us": self.began_us, "up_ms": rec.up_ms, "speeds": self.speeds}
            told["total"] = {name: rec.total[i] for i, name in enumerate(self.names)}
            print(json.dumps(told))


def main(path):
    with open(path) as file:
        told = json.loads(file.readline())
        settings = Settings(told["settings"], {})
        board = Board(told["settings"])
        boot = 1
        board.begin(settings, boot)
        number = 0
        while True:
            line = file.readline()
            if not line:
                break
            if number in told["starts"]:
                board.tell()
                boot += 1
                board.begin(settings, boot)
            board.live(json.loads(line))
            number += 1
        board.tell()


main(sys.argv[1])
