"""Leads the guard through what happens at a wheel, sample by sample, and prints what its outputs did.

The argument names a folder for what it keeps.
"""

import json
import sys

from node import guard, settings
from node.kept import Kept

try:
    from micropython import heap_lock, heap_unlock
except ImportError:  # CPython has no heap of its own to lock

    def heap_lock():
        pass

    def heap_unlock():
        pass


FOLDER = sys.argv[1]
LAMP, BUZZER, ACT, RESET = 16, 17, 18, 19
TOLD = {
    "site": "sallow-ghyll",
    "node": "wheel",
    "broker": {"host": "h"},
    "wheel": {"pin": 15, "magnets": 4, "cutin_mrpm": 6700, "slow_mrpm": 6500, "cutout_mrpm": 6300},
    "i2c": {"sda": 4, "scl": 5},
    "channels": {
        "rectified_v": {"chip": "adc", "pin": 26, "gain_ppm": 31303030},
        "battery_degc": {"chip": "adc", "pin": 27, "gain_ppm": 10000000, "zero_mv": 500},
        "battery_v": {"chip": "ina226", "address": 64},
        "charge_a": {"chip": "ina226", "address": 64, "shunt_uohm": 1500, "range_ma": 50000},
    },
    "guard": {
        "lamp_pin": LAMP,
        "buzzer_pin": BUZZER,
        "act_pin": ACT,
        "reset_pin": RESET,
        "rectified": {"warning_mv": 40000, "limit_mv": 50000, "on_ms": 300},
        "battery": {"limit_mv": 15000, "mv_per_degc": -24, "coldest_degc": -5, "on_ms": 1500},
        "overspeed": {"limit_mrpm": 16400, "on_ms": 1000},
        "stall": {"after_ms": 10000},
    },
}


class Board:
    """Outputs that remember their level, and switches that a script closes."""

    def __init__(self):
        self.level = {}
        self.closed = {}

    def output(self, pin):
        self.level[pin] = 0

        def put(level):
            self.level[pin] = level

        return put

    def switch(self, pin):
        return lambda: self.closed.get(pin, 0)


class Wheel:
    """What the guard looks at of a wheel."""

    def __init__(self):
        self.edges = 0
        self.mrpm = 0
        self.edge_gap_ms = None
        self.blind = False


class Rig:
    """A guard, its board, and the newest values; `step` lets time pass in samples of 100 ms."""

    def __init__(self, name, **changed):
        told = dict(TOLD)
        told["guard"] = dict(TOLD["guard"])
        told["guard"].update(changed)
        self.settings = settings.Settings(told, {})
        self.kept = Kept(FOLDER + "/" + name)
        self.board = Board()
        self.wheel = Wheel()
        index = self.settings.layout.index
        self.at = {name: index(name) for name in self.settings.layout.channels}
        self.values = [None] * len(self.at)
        self.faults = [None] * len(self.at)
        self.set(rectified_v=20000, battery_v=13500, charge_a=5000, battery_degc=2500)
        self.parked = False
        self.heard = []
        self.start()

    def start(self):
        """Start the node again."""
        self.guard = guard.Guard(self.settings, self.board, self.kept)

    def set(self, **values):
        for name, value in values.items():
            self.values[self.at[name]] = value

    def step(self, ms, rpm=None):
        passed = 0
        while passed < ms:
            passed += 100
            if rpm is not None:
                self.wheel.mrpm = rpm * 1000
                self.wheel.edge_gap_ms = 15000 // rpm
                self.wheel.edges += 1
            self.guard.tick(self.values, self.faults, self.wheel, self.parked, 100)
        self.guard.keep(self.heard.append)

    def alarms(self):
        return self.guard.report()["alarms"]

    def until(self, there, most_ms):
        """Return after how many ms something is there."""
        passed = 0
        while passed < most_ms and not there():
            self.step(100)
            passed += 100
        return passed

    def acted(self):
        return self.board.level[ACT]

    def press(self, ms=1200):
        self.board.closed[RESET] = 1
        self.step(ms)
        self.board.closed[RESET] = 0
        self.step(100)


def runaway():
    rig = Rig("runaway")
    found = {}
    rig.step(5000)
    found["normal"] = rig.alarms()
    rig.set(rectified_v=30000)  # the controller tests its source
    rig.step(1000)
    rig.set(rectified_v=60000)  # a spike, shorter than the on-delay
    rig.step(200)
    rig.set(rectified_v=20000)
    rig.step(3000)
    found["test and spike"] = rig.alarms(), rig.acted()
    rig.set(rectified_v=45000)
    rig.step(600)
    found["warning"] = rig.alarms(), rig.acted()
    levels = []
    for _ in range(20):
        rig.step(100)
        levels.append(rig.board.level[LAMP])
    found["blinks"] = len(set(levels)) == 2
    rig.set(rectified_v=55000)
    found["acts after ms"] = rig.until(rig.acted, 2000)
    found["over"] = rig.alarms(), rig.guard.report()["latched"]
    found["lamp"] = rig.board.level[LAMP], rig.board.level[BUZZER]
    rig.press()
    found["not reset while it is over"] = rig.acted()
    rig.set(rectified_v=20000)
    rig.step(5000)
    found["after"] = rig.alarms(), rig.acted()
    rig.start()
    found["after a restart"] = rig.acted(), rig.guard.report()["latched"]
    rig.board.closed[RESET] = 1  # a button that sticks since the start
    rig.start()
    rig.step(5000)
    found["a stuck button"] = rig.acted()
    rig.board.closed[RESET] = 0
    rig.step(200)
    rig.press()
    found["reset"] = rig.acted(), rig.guard.report()["latched"]
    rig.start()
    found["stays reset"] = rig.acted()
    found["heard"] = rig.heard
    with open(FOLDER + "/runaway/guard", "w") as file:
        file.write('{"latched": ["rectif')
    rig.start()
    found["an unreadable latch"] = rig.acted()
    return found


def beyond_the_input():
    rig = Rig("beyond")
    rig.set(rectified_v=45000)
    rig.step(1000)
    rig.set(rectified_v=None)
    rig.faults[rig.at["rectified_v"]] = "railed"
    rig.step(600)
    return rig.acted()


def held_relay():
    rig = Rig("held", act_level=0)
    held = rig.acted()
    rig.set(rectified_v=55000)
    rig.step(1000)
    return held, rig.acted()


def quiet():
    rig = Rig("quiet")
    rig.set(rectified_v=55000)
    rig.step(1000)
    rig.guard.quiet(60000)
    rig.step(1000)
    found = {"silenced": (rig.board.level[BUZZER], rig.acted(), rig.alarms(), rig.guard.report()["quiet_ms"])}
    rig.set(battery_v=15500)
    rig.step(2500)
    found["something else"] = rig.board.level[BUZZER], rig.alarms()
    calm = Rig("calm")
    calm.guard.quiet(60000)
    calm.set(rectified_v=55000)
    calm.step(1000)
    found["acts while quiet"] = calm.acted(), calm.board.level[BUZZER]
    return found


def battery():
    rig = Rig("battery")
    rig.set(battery_v=15100)
    rig.step(1000)
    soon = rig.alarms()
    rig.step(1500)
    warm = rig.alarms(), rig.acted()
    rig.set(battery_v=14400)
    rig.step(3000)
    after = rig.alarms()
    rig.set(battery_v=15100, battery_degc=-500)
    rig.step(5000)
    cold = rig.alarms()
    rig.set(battery_degc=None)
    rig.step(5000)
    return {"soon": soon, "warm": warm, "after": after, "cold": cold, "no temperature": rig.alarms()}


def stall():
    rig = Rig("stall")
    rig.set(charge_a=0)
    rig.step(5000, 10)
    found = {"jam after ms": rig.until(rig.alarms, 60000), "jam": rig.alarms(), "acted": rig.acted()}
    rig.wheel.edges += 1  # it rocks with a magnet at the pickup
    rig.wheel.mrpm = 900
    rig.step(1000)
    found["rocking"] = rig.alarms()
    rig.step(3000, 10)
    found["turns again"] = rig.alarms()
    rig.step(3000, 7)
    rig.step(3000, 5)
    rig.wheel.mrpm = 0
    rig.step(60000)
    found["ran down"] = rig.alarms()
    rig.step(3000, 10)
    rig.parked = True
    rig.wheel.mrpm = 0
    rig.step(60000)
    found["parked"] = rig.alarms()
    rig.set(rectified_v=55000)
    rig.step(1000)
    found["parked and over"] = rig.alarms(), rig.acted()
    rig = Rig("pickup")
    rig.step(5000, 10)
    rig.step(60000)
    found["current flows"] = rig.alarms(), rig.guard.report()["blind"]
    rig = Rig("racing")
    rig.step(3000, 20)
    found["racing"] = rig.alarms(), rig.acted()
    return found


def blind():
    rig = Rig("blind")
    rig.set(rectified_v=None)
    rig.step(9000)
    soon = rig.alarms()
    rig.step(2000)
    found = rig.alarms(), rig.guard.report()["blind"], rig.acted()
    rig.set(rectified_v=20000)
    rig.step(200)
    return soon, found, rig.alarms()


def allocates():
    rig = Rig("heap")
    rig.step(3000, 10)
    ticks = rig.guard.tick
    values, faults, wheel = rig.values, rig.faults, rig.wheel
    at = rig.at["rectified_v"]
    heap_lock()
    try:
        i = 0
        while i < 300:
            wheel.edges += 1
            values[at] = 20000 if i < 100 else 55000
            ticks(values, faults, wheel, rig.parked, 100)
            i += 1
        fine = True
    except MemoryError:
        fine = False
    finally:
        heap_unlock()
    return not fine, rig.acted()


def main():
    print(
        json.dumps(
            {
                "runaway": runaway(),
                "beyond": beyond_the_input(),
                "held": held_relay(),
                "quiet": quiet(),
                "battery": battery(),
                "stall": stall(),
                "blind": blind(),
                "allocates": allocates(),
            }
        )
    )


main()
