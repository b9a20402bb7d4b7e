"""What the real boards share about their pins; they hand in the pins, so this can be tested without one."""

from array import array

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable, Protocol

    class PinLike(Protocol):
        """An open-drain pin."""

        def value(self, level: int) -> object:
            """Let the pin float up (1) or pull it down (0)."""

    class InputLike(Protocol):
        """An input."""

        def value(self) -> int:
            """Return its level."""


_SIZE = const(64)  # edges; a power of two. At 8 Hz that is 8 s of a board that does not come round
_PLACE = const(63)
_COUNT = const(0x3FFFFFFF)
_CLOCK_PULSES = const(9)  # one byte and its acknowledge
_HALF_US = const(5)
_CLOCKED_BITS = const(24)


class EdgeRing:
    """Edge times taken by an interrupt: a ring of small integers, written without allocating anything.

    Interrupts wait while flash is written and can be lost there, so the count is not exact. lost: edges so far
    that found the ring full; they came before the first time that the same `read_into` gave.
    """

    exact = False
    installed = 0

    def __init__(self, ticks_us: "Callable[[], int]") -> None:
        self._ticks_us = ticks_us
        self._ring = array("I", [0] * _SIZE)
        self._head = 0  # counts edges written, _tail edges read; both wrap together
        self._tail = 0
        self._refused = 0  # edges that found it full ...
        self._refused_before = 0  # ... before those that the next `read_into` gives
        self.lost = 0

    def note(self, _pin: object) -> None:
        """Handle the interrupt."""
        head = self._head
        if (head - self._tail) & _COUNT >= _SIZE:
            self._refused += 1
            return
        self._ring[head & _PLACE] = self._ticks_us()
        self._head = (head + 1) & _COUNT

    def read_into(self, ticks: "array[int]") -> int:
        """Move the edge times (us, modulo 2^30) into `ticks`, oldest first; return how many."""
        self.lost = self._refused_before
        count = 0
        tail = self._tail
        while tail != self._head and count < len(ticks):
            ticks[count] = self._ring[tail & _PLACE]
            tail = (tail + 1) & _COUNT
            count += 1
        self._tail = tail
        if tail == self._head:
            self._refused_before = self._refused
        return count


class ClockedIn:
    """A converter that gives its bits to pulses of a clock line, and is ready while its data line is low.

    A pulse that an interrupt made longer would put the converter to sleep, so each is made with interrupts off.
    """

    def __init__(
        self, data: "InputLike", clock: "PinLike", off: "Callable[[], int]", on: "Callable[[int], object]"
    ) -> None:
        self._data = data
        self._clock = clock
        self._off = off
        self._on = on
        clock.value(0)

    def ready(self) -> bool:
        """Say whether a conversion waits."""
        return not self._data.value()

    def read(self, pulses: int) -> int:
        """Give so many pulses (24 or more) and return the first 24 bits."""
        code = 0
        for i in range(pulses):
            before = self._off()
            self._clock.value(1)
            self._clock.value(0)
            self._on(before)
            if i < _CLOCKED_BITS:
                code = code << 1 | (1 if self._data.value() else 0)
        return code


def free_bus(scl: "PinLike", sda: "PinLike", sleep_us: "Callable[[int], object]") -> None:
    """Clock a chip out of a byte that a reset of the board cut short, then say stop."""
    sda.value(1)
    for _ in range(_CLOCK_PULSES):
        scl.value(0)
        sleep_us(_HALF_US)
        scl.value(1)
        sleep_us(_HALF_US)
    sda.value(0)
    sleep_us(_HALF_US)
    sda.value(1)
    sleep_us(_HALF_US)
