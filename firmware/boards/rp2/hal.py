"""The board: Raspberry Pi Pico W and Pico 2 W.

Edges are counted in hardware (see pio_edges); an interrupt, which waits while flash is written, only steps in
where there is no state machine free: `exact` is then False. Every input has a pull-up and none a pull-down: the
newer chip can hold a floating input half way up.
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
import rp2
from pio_edges import HZ, PioEdges

from node.pins import ClockedIn, EdgeRing, free_bus
from node.wifi import Wlan

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable, NoReturn

# Ticks are integers; the stubs keep that to themselves.
_ticks_ms: "Callable[[], int]" = time.ticks_ms  # type: ignore[assignment]
_ticks_us: "Callable[[], int]" = time.ticks_us  # type: ignore[assignment]
_I2C_PATIENCE_US = 10_000
_MAINTENANCE_MS = 3_000
_LOOK_MS = 100
_WATCHDOG_MAX_MS = 8_300
_MACHINES = 4  # of the first block
_CAUSES = {machine.PWRON_RESET: "power", machine.WDT_RESET: "watchdog or restart"}


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
    """An analogue input, 0..3.3 V as 0..65535."""

    def __init__(self, pin: int) -> None:
        self.read_u16 = machine.ADC(machine.Pin(pin)).read_u16


class Board:
    """The whole board. One per boot."""

    def __init__(self) -> None:
        self.name = str(getattr(sys.implementation, "_machine", sys.platform))
        self.chip = binascii.hexlify(machine.unique_id()).decode()
        nic = network.WLAN(network.WLAN.IF_STA)
        self.wlan = Wlan(nic, network.WLAN.PM_NONE, _ticks_ms)
        self._buses: dict[int, I2cBus] = {}
        self._wires: dict[int, onewire.OneWire] = {}
        self._pickups = 0  # state machines in use; the radio's is in the other block

    def maintenance(self) -> bool:
        """Wait a moment for a person; return True if the button on the board is held.

        Ctrl-C at the console ends the wait, and with it the start of the node.
        """
        for _ in range(_MAINTENANCE_MS // _LOOK_MS):
            time.sleep_ms(_LOOK_MS)
            if rp2.bootsel_button():
                return True
        return False

    def reset_cause(self) -> str:
        """Say why the board started; this chip cannot tell its watchdog from a restart."""
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

    def edges(self, pin: int) -> "EdgeRing | PioEdges":
        """Return a pickup: an open-collector sensor that pulls the pin down at each magnet."""
        if self._pickups < _MACHINES and machine.freq() % HZ == 0:
            try:
                counted = PioEdges(self._pickups, pin, _ticks_us)
            except (OSError, ValueError) as error:
                print("pin %d: no state machine (%s); an interrupt counts its edges" % (pin, error))
            else:
                self._pickups += 1
                return counted
        ring = EdgeRing(_ticks_us)
        machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP).irq(
            handler=ring.note, trigger=machine.Pin.IRQ_FALLING, hard=True
        )
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
        return machine.WDT(timeout=min(timeout_ms, _WATCHDOG_MAX_MS))

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
