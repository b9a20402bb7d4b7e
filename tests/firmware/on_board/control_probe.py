"""Plays settings, orders, the log of faults, fast starts and the switch through on a clock that the script moves.

The argument names a folder to work in. Prints one JSON object.
"""

import json
import os
import sys

from node import flash_files, settings
from node.boots import Boots
from node.clock import Clock
from node.control import Control
from node.faultlog import FaultLog
from node.kept import Kept
from node.orders import Orders
from node.parking import Parking
from node.store import make
from node.trial import Trial

ROOT = sys.argv[1]
TOLD = {
    "site": "sallow-ghyll",
    "node": "wheel",
    "revision": 1,
    "broker": {"host": "broker.home"},
    "wheel": {"pin": 15, "magnets": 4, "cutin_mrpm": 6700, "slow_mrpm": 6500, "cutout_mrpm": 6300},
    "channels": {"rectified_v": {"chip": "adc", "pin": 26, "gain_ppm": 31303030}},
}


class PowerCutError(Exception):
    """The power goes."""


class Rig:
    """A node's folder, its clock, and what its control answers over the boots."""

    def __init__(self, name):
        self.folder = ROOT + "/" + name
        os.mkdir(self.folder)
        self.put("settings.json", json.dumps(TOLD))
        self.put("secrets.json", '{"broker_user": "u", "broker_password": "p"}')
        self.said = []
        self.lamp = []
        self.silenced = []
        self.ticks = 0
        self.boot()

    def put(self, name, text):
        with open(self.folder + "/" + name, "w") as file:
            file.write(text)

    def boot(self):
        self.ticks = 0
        self.kept = Kept(self.folder + "/state")
        Trial(self.folder, self.kept).at_boot()
        self.settings = settings.load(self.folder)
        self.clock = Clock(lambda: self.ticks & 0x3FFFFFFF)
        self.trial = Trial(self.folder, self.kept)
        orders = Orders(self.clock, self.kept, self.lamp.append, self.silenced.append)
        self.control = Control(self.settings, self.folder, self.trial, orders, self.said.append)

    def now(self, ms):
        self.ticks = ms
        self.clock.offer(1700000000000 + ms, ms, ms)

    def send(self, revision, **changed):
        told = dict(TOLD)
        told.update(changed)
        told["revision"] = revision
        payload = json.dumps(told).encode()
        self.control.on_settings(payload)
        return payload

    def answers(self):
        """Return what is answered now, and whether a restart follows."""
        found = []
        while True:
            answer = self.control.next_answer(self.ticks)
            if answer is None:
                break
            told = answer[1]
            found.append([told["state"], told.get("problems", told.get("why"))])
        return found, self.control.look(self.ticks + 2000)

    def in_force(self):
        return settings.load(self.folder).revision


def applied():
    rig = Rig("applied")
    payload = rig.send(2, record_s=20)
    found = {"tried": rig.answers(), "on flash": rig.in_force()}
    rig.boot()
    found["record_s"] = rig.settings.record_s
    rig.control.on_settings(payload)  # kept at the broker: comes before the connection is confirmed
    rig.control.on_up()
    found["then"] = rig.answers()
    rig.ticks = 400000
    found["stays"] = rig.control.look(rig.ticks), rig.in_force(), rig.trial.on
    rig.boot()
    rig.control.on_settings(payload)
    rig.control.on_up()
    found["at the next start"] = rig.answers()
    return found


def refused():
    rig = Rig("refused")
    found = {}
    for name, told in (
        ("field", {"record_s": 7}),
        ("secret", {"wifi_password": "x"}),
        ("node", {"node": "other"}),
    ):
        rig.send(2, **told)
        found[name] = rig.answers()
    rig.send(1, record_s=20)
    found["same revision"] = rig.answers()
    rig.control.on_settings(b"{broken")
    found["broken"] = rig.answers()
    rig.control.on_settings(b"")
    found["empty"] = rig.answers()
    found["in force"] = rig.in_force()
    found["in the birth"] = rig.control.refused
    return found


def broker_not_reached():
    rig = Rig("unreached")
    payload = rig.send(2, broker={"host": "nowhere"})
    rig.answers()
    rig.boot()
    found = {"early": rig.control.look(299000), "late": rig.control.look(300000), "in force": rig.in_force()}
    # The former settings reach the broker: it may only have been away, so they are tried once more.
    rig.boot()
    rig.control.on_up()
    found["said"] = rig.answers()[0]
    rig.control.on_settings(payload)
    found["again"] = rig.answers()
    rig.boot()
    found["late again"] = rig.control.look(300000)
    # And now never again, however often the broker brings them.
    tries = []
    for _ in range(5):
        rig.boot()
        rig.control.on_settings(payload)
        rig.control.on_up()
        tries.append(rig.answers())
    found["for good"] = tries
    found["in the birth"] = rig.control.refused
    rig.send(3, record_s=30)
    found["corrected"] = rig.answers()
    return found


def broker_away():
    """Good settings come, and just then the broker goes away for hours."""
    rig = Rig("away")
    payload = rig.send(2, record_s=30)
    rig.answers()
    rig.boot()
    rig.control.look(300000)
    rig.boot()
    quiet = [rig.control.look(ms) for ms in (300000, 3600000, 7200000)]
    rig.control.on_settings(payload)
    rig.control.on_up()
    rig.answers()
    rig.boot()
    rig.control.on_settings(payload)
    rig.control.on_up()
    return quiet, rig.answers()[0], rig.in_force(), rig.trial.on


def crashing():
    """The node starts again and again with them, before five minutes have passed."""
    rig = Rig("crashing")
    rig.send(2, record_s=30)
    rig.answers()
    starts = 0
    while rig.in_force() == 2 and starts < 20:
        rig.boot()
        starts += 1
    return starts, rig.trial.refused


def power_cuts():
    """The power goes before each single step on the flash; afterwards there are whole settings, old or new."""
    outcomes = {}
    real = flash_files.Folder.replace
    for act in ("begin", "roll back"):
        found = []
        step = 0
        while True:
            rig = Rig(f"cut-{act[:2]}-{step}")
            left = [step]

            def replace(self, name, data, left=left):
                if left[0] == 0:
                    with open(self.path + "/" + name + ".new", "wb") as file:
                        file.write(data[: len(data) // 2])
                    raise PowerCutError
                left[0] -= 1
                real(self, name, data)

            cut = False
            if act == "roll back":
                rig.send(2, record_s=20)
                rig.answers()
                rig.boot()
            flash_files.Folder.replace = replace
            try:
                if act == "begin":
                    rig.send(2, record_s=20)
                else:
                    rig.control.look(300000)
            except PowerCutError:
                cut = True
            flash_files.Folder.replace = real
            rig.boot()
            on = rig.trial.on
            revision = rig.in_force()
            # Whatever is in force: new settings are on trial, and old ones are not.
            found.append((revision, on))
            if not cut:
                break
            step += 1
        outcomes[act] = found
    return outcomes


def orders():
    rig = Rig("orders")

    def order(name, what, expires_ms=1700000060000, **more):
        told = {"id": name, "order": what, "expires_ms": expires_ms}
        told.update(more)
        rig.control.on_order(json.dumps(told).encode())
        return rig.answers()

    found = {"no clock": order("a", "identify")}
    rig.now(1000)
    found["identify"] = order("b", "identify", for_s=2)
    for ms in range(1000, 5000, 100):
        rig.ticks = ms
        rig.control.look(ms)
    found["blinks"] = len(rig.lamp), rig.lamp[-1]
    rig.now(5000)
    found["expired"] = order("c", "quiet", 1700000004000)
    found["quiet"] = order("d", "quiet", for_s=60), order("d", "quiet", for_s=60), rig.silenced
    found["unknown"] = order("e", "brake")
    found["too long"] = order("f", "quiet", for_s=999999)
    found["restart"] = order("g", "restart")
    rig.boot()
    rig.now(1000)
    found["again after it"] = order("g", "restart")
    try:
        rig.control.on_order(b'{"order": "restart"}')
        found["without id"] = rig.answers()
    except ValueError as error:
        found["without id"] = str(error)
    return found


def faults():
    rig = Rig("faults")
    rig.now(0)
    writes = [0]
    log = FaultLog(rig.kept.files, rig.clock, 1)
    hours = 5
    for minute in range(hours * 60):
        rig.now(minute * 60000)
        log.add(f"fault {minute}")
        before = len(log._waiting)
        log.keep()
        if before and not log._waiting:
            writes[0] += 1
    log.add("the last one")
    log.add("the last one")
    log.keep(at_once=True)
    sizes = [os.stat(rig.folder + "/state/" + name)[6] for name in ("faults", "faults.old")]
    again = FaultLog(rig.kept.files, rig.clock, 2)
    newest = again.last
    again.add("the last one")
    return {"an hour": writes[0] / hours, "sizes": sizes, "newest": newest, "repeated": again._waiting}


def starts():
    rig = Rig("starts")
    found = [Boots(rig.kept, "watchdog").minimal for _ in range(6)]
    minimal = Boots(rig.kept, "watchdog")
    leaves = [minimal.look(3599000), minimal.look(3600000)]
    minimal.leave()
    found.append(Boots(rig.kept, "watchdog").minimal)
    found.append(Boots(rig.kept, "watchdog").minimal)
    ordered = Boots(rig.kept, "watchdog")
    ordered.forgive()
    found.append(Boots(rig.kept, "watchdog").minimal)
    steady = Boots(rig.kept, "watchdog")
    steady.look(600000)
    cuts = [Boots(rig.kept, "power").minimal for _ in range(9)]
    return {"minimal": found, "leaves": leaves, "steady": steady.fast, "power cuts": any(cuts)}


def switch():
    closed = [0]
    parking = Parking(lambda: closed[0], 3600000)
    found = []
    for level, ms in ((0, 1000), (1, 200), (1, 1000), (1, 2700000), (1, 900000), (0, 1000), (1, 1000)):
        closed[0] = level
        passed = 0
        while passed < ms:
            passed += 100
            parking.look(100)
        found.append((parking.parked, parking.reminder))
    return found


def second_board():
    """A flash image is copied to a second board: it must not go on under the first one's numbers."""
    rig = Rig("copied")

    class Board:
        chip = "aa"
        random = 1

        def random_bytes(self, count):
            self.random += 1
            return bytes([self.random]) * count

    said = []
    board = Board()

    def start():
        journal = make(rig.folder, rig.settings, board, rig.kept, rig.clock.up_ms, said.append)
        return journal.id, journal.boot

    first = start()
    second = start()
    board.chip = "bb"
    other = start()
    return {
        "same": first[0] == second[0],
        "boots": (first[1], second[1], other[1]),
        "new": other[0] != first[0],
    }


def main():
    found = {}
    for play in (
        applied, refused, broker_not_reached, broker_away, crashing, power_cuts, orders, faults, starts, switch,
        second_board,
    ):  # fmt: skip
        found[play.__name__] = play()
    print(json.dumps(found))


main()
