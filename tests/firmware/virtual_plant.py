"""A plant whose voltage, current and speed are steps in whole numbers, so that what it gave is known to the last nanojoule.

Runs on MicroPython and on CPython. A value holds on `(5 s x k, 5 s x (k + 1)]`; the steps fall between two samples of a
node whose clock is right. In the last two minutes of every ten the plant is calm: nothing changes there.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

SEGMENT_MS = 5_000
CALM_MS = 600_000  # a time of calm in each of these ...
CALM_FROM_MS = 480_000  # ... from here on
CALM = (13_500, 5_400, 40_000)  # mV, mA, mrpm
MAGNETS = 4
TURN = 60_000_000  # mrpm x magnets x ms that make an edge


def mixed(number: int) -> int:
    """Return 32 bits that look random."""
    number = number * 2654435761 & 0xFFFFFFFF
    number ^= number >> 15
    number = number * 2246822519 & 0xFFFFFFFF
    number ^= number >> 13
    return number * 3266489917 & 0xFFFFFFFF ^ number >> 16


def level(seed: int, k: int) -> "tuple[int, int, int]":
    """Return voltage [mV], current [mA] and speed [mrpm] of segment k: steps that the sensors show exactly."""
    if k * SEGMENT_MS % CALM_MS >= CALM_FROM_MS:
        return CALM
    chance = mixed(k + 7919 * seed)
    mv = 11_500 + 5 * (chance % 640)
    kind = chance >> 10 & 7
    more = chance >> 13
    if kind == 0:
        ma = 400 + 5 * (more % 8)  # about 5 W
    elif kind == 1:
        ma = -5 * (more % 20)  # back into the controller
    else:
        ma = 5 * (more % 6000)
    mrpm = 0 if chance >> 24 < 12 else 5_000 + (chance >> 8) % 55_000
    return mv, ma, mrpm


class Course:
    """The plant from a moment on, asked in the order of time."""

    def __init__(self, seed: int, begin_ms: int) -> None:
        self.seed = seed
        self.at_ms = begin_ms
        self._enter(begin_ms // SEGMENT_MS)
        self._phase = 0  # of the next edge, in parts of TURN

    def _enter(self, k: int) -> None:
        self.k = k
        self.mv, self.ma, self.mrpm = level(self.seed, k)

    def advance(self, now_ms: int, edge: "Callable[[int], None]") -> None:
        """Go on to a moment and call `edge` with the time [us] of each magnet that passed."""
        while self.at_ms < now_ms:
            if self.at_ms == (self.k + 1) * SEGMENT_MS:
                self._enter(self.k + 1)
            until_ms = min(now_ms, (self.k + 1) * SEGMENT_MS)
            rate = self.mrpm * MAGNETS
            phase = self._phase + rate * (until_ms - self.at_ms)
            left = TURN - self._phase
            while phase >= TURN:
                edge(self.at_ms * 1000 + left * 1000 // rate)
                left += TURN
                phase -= TURN
            self._phase = phase
            self.at_ms = until_ms
