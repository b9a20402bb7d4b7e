"""The board: ESP32 and its relatives.

This port has no hard interrupts: an edge is noted when the scheduler comes round, and can be lost when its
queue is full or flash is written. So the chip's pulse counter counts beside it, and its number holds; where there is
none, `exact` is False. Every input has a pull-up.
"""

import asyncio
import binascii
import errno
import os
import socket
import sys
import time

import machine
import network
import onewire

from node.counted import CountedEdges
from node.pins import ClockedIn, EdgeRing, free_bus
from node.wifi import Wlan

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable, NoReturn

# Ticks are integers; the stubs keep that to themselves.
_ticks_ms: "Callable[[], int]" = time.ticks_ms  # type: ignore[assignment]
_ticks_us: "Callable[[], int]" = time.ticks_us  # type: ignore[assignment]
_BUTTON = 0
_I2C_PATIENCE_US = 10_000
_MAINTENANCE_MS = 3_000
_LOOK_MS = 100
_FULL = 0xFFF0  # the top code of the converter
_COUNTERS = 4  # pulse counters of the smallest of these chips
_FILTER_NS = 12_800  # a spike that is shorter is none: the longest that the counter can do, 1023 / 80 MHz
_CAUSES = {
    machine.PWRON_RESET: "power",
    machine.HARD_RESET: "reset pin",
    machine.WDT_RESET: "watchdog",
    machine.DEEPSLEEP_RESET: "deep sleep",
    machine.SOFT_RESET: "restart",
}


class I2cBus:
    """A bus of the chip's own controller, rebuilt after `recover`."""

    def __init__(self, bus: int, sda: int, scl: int, freq_hz: int) -> None:
        self._bus = bus
        self._sda = sda
        self._scl = scl
        self._freq_hz = freq_hz
        self._open()

    def _open(self) -> None:
        self._i2c = machine.I2C(
            self._bus,
            sda=machine.Pin(self._sda),
            scl=machine.Pin(self._scl),
            freq=self._freq_hz,
            timeout=_I2C_PATIENCE_US,
        )
        self.readfrom_mem_into = self._i2c.readfrom_mem_into
        self.writeto_mem = self._i2c.writeto_mem

    def recover(self) -> None:
        """Free a bus that a chip holds, and begin again."""
        free_bus(
            machine.Pin(self._scl, machine.Pin.OPEN_DRAIN, value=1),
            machine.Pin(self._sda, machine.Pin.OPEN_DRAIN, value=1),
            time.sleep_us,
        )
        self._open()


class AdcPin:
    """An analogue input with the widest range, 0..3.3 V as 0..65535, straightened by the factory's calibration."""

    def __init__(self, pin: int) -> None:
        self._adc = machine.ADC(machine.Pin(pin), atten=machine.ADC.ATTN_11DB)

    def read_u16(self) -> int:
        """Take a reading; a converter at its upper end reads as full, wherever that end lies in volts."""
        if self._adc.read_u16() >= _FULL:
            return 0xFFFF
        return min(self._adc.read_uv() * 200 // 10_071, 0xFFFF)  # 65535 / 3 300 000


class Board:
    """The whole board. One per boot."""

    def __init__(self) -> None:
        self.name = str(getattr(sys.implementation, "_machine", sys.platform))
        self.chip = binascii.hexlify(machine.unique_id()).decode()
        nic = network.WLAN(network.WLAN.IF_STA)
        self.wlan = Wlan(nic, network.WLAN.PM_NONE, _ticks_ms)
        self._buses: dict[int, I2cBus] = {}
        self._wires: dict[int, onewire.OneWire] = {}
        self._counters = 0

    def maintenance(self) -> bool:
        """Wait a moment for a person; return True if the button on the board (pin 0, to ground) is held.

        Ctrl-C at the console ends the wait, and with it the start of the node.
        """
        button = machine.Pin(_BUTTON, machine.Pin.IN, machine.Pin.PULL_UP)
        for _ in range(_MAINTENANCE_MS // _LOOK_MS):
            time.sleep_ms(_LOOK_MS)
            if not button.value():
                return True
        return False

    def reset_cause(self) -> str:
        """Say why the board started."""
        return _CAUSES.get(machine.reset_cause(), "unknown")

    def ticks_ms(self) -> int:
        """Return milliseconds modulo 2^30."""
        return _ticks_ms()

    def ticks_us(self) -> int:
        """Return microseconds modulo 2^30."""
        return _ticks_us()

    def i2c(self, bus: int, sda: int, scl: int, freq_hz: int) -> I2cBus:
        """Return a bus; the same one each time it is asked for."""
        if bus not in self._buses:
            self._buses[bus] = I2cBus(bus, sda, scl, freq_hz)
        return self._buses[bus]

    def adc(self, pin: int) -> AdcPin:
        """Return an analogue input."""
        return AdcPin(pin)

    def edges(self, pin: int) -> "EdgeRing | CountedEdges":
        """Return a pickup: an open-collector sensor that pulls the pin down at each magnet."""
        ring = EdgeRing(_ticks_us)
        line = machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)

        def install() -> None:
            line.irq(handler=ring.note, trigger=machine.Pin.IRQ_FALLING)

        # Interpreters before 1.26 and chips without the hardware have no such class.
        counter_class: Any = getattr(machine, "Counter", None)
        if counter_class is not None and self._counters < _COUNTERS:
            try:
                counter = counter_class(
                    self._counters, line, edge=counter_class.FALLING, filter_ns=_FILTER_NS
                )
            except (OSError, ValueError) as error:
                print("pin %d: no counter (%s); an interrupt counts its edges" % (pin, error))
            else:
                self._counters += 1
                return CountedEdges(ring, counter.value, install, _ticks_us)
        install()
        return ring

    def one_wire(self, pin: int) -> onewire.OneWire:
        """Return a one-wire bus; the same one each time it is asked for. It needs a resistor of 4.7 kohm to 3.3 V."""
        if pin not in self._wires:
            self._wires[pin] = onewire.OneWire(machine.Pin(pin))
        return self._wires[pin]

    def clocked_in(self, data: int, clock: int) -> ClockedIn:
        """Return a converter with a data line and a clock line."""
        return ClockedIn(
            machine.Pin(data, machine.Pin.IN),
            machine.Pin(clock, machine.Pin.OUT, value=0),
            machine.disable_irq,
            machine.enable_irq,
        )

    def switch(self, pin: int) -> "Callable[[], int]":
        """Return a function that gives 1 while the switch to ground is closed, else 0."""
        contact = machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)
        return lambda: 1 - contact.value()

    def output(self, pin: int) -> "Callable[[int], None]":
        """Return a function that sets an output; it begins low."""
        line = machine.Pin(pin, machine.Pin.OUT, value=0)

        def put(value: int) -> None:
            line.value(value)

        return put

    async def open_connection(
        self, host: str, port: int, tls: "Any" = None, name: "str | None" = None
    ) -> "tuple[asyncio.StreamReader, asyncio.StreamWriter]":
        """Open a TCP connection; raise OSError. Without an address nothing is looked up: that can hang.

        tls: a context, to encrypt it and hold the other side to a name; the handshake then goes on with what is written.
        """
        if self.wlan.address() is None:
            raise OSError(errno.ENOTCONN)
        if tls is not None:
            opened: Any = asyncio.open_connection  # the stubs do not know these two
            found: tuple[asyncio.StreamReader, asyncio.StreamWriter] = await opened(
                host, port, ssl=tls, server_hostname=name
            )
            return found
        reader, writer = await asyncio.open_connection(host, port)
        line: Any = writer  # the stubs do not know its socket
        try:
            # Small packets must not wait for the acknowledgement of the one before.
            line.s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError:
            pass  # an older interpreter: slower, not wrong
        return reader, writer

    def watchdog(self, timeout_ms: int) -> machine.WDT:
        """Start the watchdog, which nothing can stop again."""
        return machine.WDT(timeout=timeout_ms)

    def restart(self) -> "NoReturn":
        """Restart the board."""
        machine.reset()

    def random_bytes(self, count: int) -> bytes:
        """Return random bytes."""
        return os.urandom(count)


_board: "Board | None" = None


def board() -> Board:
    """Return the board."""
    global _board
    if _board is None:
        _board = Board()
    return _board
