"""Runs the edge interrupt with the heap locked, as a hard interrupt runs, and so does one that allocates."""

import json
import time
from array import array

import micropython

from node.pins import EdgeRing


class Careless:
    """What the ring must not be: every edge makes a new object."""

    def __init__(self):
        self.edges = []

    def note(self, _pin):
        self.edges.append((time.ticks_us(), 1))


def runs_locked(note):
    micropython.heap_lock()
    try:
        i = 0
        while i < 200:
            note(None)
            i += 1
        fine = True
    except MemoryError:
        fine = False
    finally:
        micropython.heap_unlock()
    return fine


def ticks_us():
    return time.ticks_us() & 0x3FFFFFFF


ring = EdgeRing(ticks_us)
careless = Careless()
result = {"ring": runs_locked(ring.note), "careless": runs_locked(careless.note)}
out = array("I", [0] * 100)
result["taken"] = ring.read_into(out)
ring.read_into(out)  # what found no room came after those
result["lost"] = ring.lost
print(json.dumps(result))
