"""Edges counted by the chip's programmable input (PIO), which nothing holds up: not flash, not the network.

Its program looks at the line every 4 us. An edge is a fall that three looks in a row agree on, so a spike of less
than 8 us is none; the next can only follow a rise that held as long. For each edge it pushes one word into an
eight-deep queue: the running number of the edge and the time. When the queue is full the word is dropped and
the program goes on, so the number of the next word tells how many times are missing, and the count is exact.
Every way through the program takes whole loops, so its time has no drift against the board's ticks: both come
from one crystal.
"""

import machine
import rp2
from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from array import array
    from typing import Callable

    from rp2.asm_pio import in_, jmp, label, noblock, pin, push, set, wrap, wrap_target, x, x_dec, y, y_dec  # noqa: A004

HZ = const(1_000_000)  # one instruction a microsecond; every clock of these boards is a whole multiple of it
LOOP_US = const(4)
# What a word's time lies behind the fall itself, to within 2 us: the looks, and where in the program time begins.
LATE_US = const(10)
_TIME_BITS = const(22)
_TIME_MASK = const(0x3FFFFF)
_SPAN_US = const(1 << 24)  # the time in a word comes round after 16.8 s
_NUMBER_MASK = const(0x3FF)
_TICKS_MASK = const(0x3FFFFFFF)


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT, fifo_join=rp2.PIO.JOIN_RX)
def count_edges() -> None:
    """Count loops down in X and edges down in Y; begin with the line taken for low, so that only a fall counts."""
    set(x, 0)
    set(y, 0)
    wrap_target()
    label("low")
    jmp(x_dec, "low_1")
    label("low_1")
    jmp(pin, "rise")[1]
    jmp("low")
    label("rise")
    jmp(x_dec, "rise_2")[1]
    label("rise_2")
    jmp(pin, "rise_3")[1]
    jmp("low")
    label("rise_3")
    jmp(x_dec, "rise_4")[1]
    label("rise_4")
    jmp(pin, "high")[2]
    wrap()
    label("high")
    jmp(x_dec, "high_1")[1]
    label("high_1")
    jmp(pin, "high")[1]
    jmp(x_dec, "fall_2")[1]
    label("fall_2")
    jmp(pin, "high")[1]
    jmp(x_dec, "fall_3")[1]
    label("fall_3")
    jmp(pin, "high")[1]
    jmp(y_dec, "edge")
    label("edge")
    in_(y, 10)
    in_(x, 22)
    push(noblock)
    jmp(x_dec, "edge_2")
    label("edge_2")
    jmp(x_dec, "edge_3")[1]
    label("edge_3")
    jmp("low")


class PioEdges:
    """A pickup at a pin, counted by state machine `machine_id`; read it at least every 16 s.

    exact: every edge is counted. lost: edges so far whose times are not known, because the queue was full; they
    came before the first time that the same `read_into` gave.
    """

    exact = True
    installed = 0

    def __init__(self, machine_id: int, pin_number: int, ticks_us: "Callable[[], int]") -> None:
        self._ticks_us = ticks_us
        line = machine.Pin(pin_number, machine.Pin.IN, machine.Pin.PULL_UP)
        self._machine = rp2.StateMachine(machine_id, count_edges, freq=HZ, jmp_pin=line)
        self._number = 0
        self._held = -1  # a word taken from the queue and not handed over yet
        self.lost = 0
        before = machine.disable_irq()
        self._began_us = ticks_us()
        self._machine.active(1)
        machine.enable_irq(before)
        self._read_us = self._began_us

    def read_into(self, ticks: "array[int]") -> int:
        """Move the edge times (us, modulo 2^30) into `ticks`, oldest first; return how many."""
        timed = (self._ticks_us() - self._read_us) & _TICKS_MASK < _SPAN_US
        count = 0
        while count < len(ticks):
            word = self._next()
            if word < 0:
                break
            number = -(word >> _TIME_BITS) & _NUMBER_MASK
            missing = (number - self._number - 1) & _NUMBER_MASK
            if missing and count:
                self._held = word
                break
            self.lost += missing
            self._number = number
            if not timed:
                self.lost += 1
                continue
            now_us = self._ticks_us()
            age_us = now_us - self._began_us - (-word & _TIME_MASK) * LOOP_US + LATE_US
            ticks[count] = (now_us - (age_us & (_SPAN_US - 1))) & _TICKS_MASK
            count += 1
        self._read_us = self._ticks_us()
        return count

    def _next(self) -> int:
        """Return the next word of the queue, -1 when there is none."""
        word = self._held
        if word >= 0:
            self._held = -1
        elif self._machine.rx_fifo():
            word = self._machine.get()
        return word
