"""The board on Linux: its pins, chips and network are fed by the twin over loopback.

The firmware runs unchanged. On MicroPython:

    MICROPYPATH=firmware/sim:firmware:.frozen WHEELPIT_TWIN_PORT=... WHEELPIT_NODE_DIR=... \
        micropython firmware/main.py

and where there is none, `python firmware/sim/run_cpython.py` with the same two variables. WHEELPIT_NODE_DIR
names the folder with settings.json and secrets.json; what the node keeps lies there too. Exit code 42 asks the
parent to start it again, as a board that restarts.
"""

import asyncio
import errno
import os
import sys
import time

from chips import I2cBus, part
from twinlink import TwinLink

RESTART = 42
_TICKS_MASK = 0x3FFFFFFF
_IPPROTO_TCP = 6
_TCP_NODELAY = 1


class AdcPin:
    """An analogue input with a 12-bit converter of 3.3 V."""

    def __init__(self, link: TwinLink, wiring: "dict | None") -> None:
        self._link = link
        self._wiring = wiring

    def read_u16(self) -> int:
        """Return the 12-bit code stretched to 16 bits, as the boards do."""
        self._link.pump()
        millivolts = 0.0
        if self._link.up and self._wiring is not None:
            value = self._link.mean.get(self._wiring["channel"]) or 0.0
            millivolts = value * self._wiring["mv_per_unit"] + self._wiring.get("zero_mv", 0)
        code = min(max(round(millivolts / 3300 * 4095), 0), 4095)
        return code << 4 | code >> 8


class Edges:
    """The pickup of a shaft, counted in hardware: no edge is lost, each has its own time."""

    exact = True
    lost = 0
    installed = 0

    def __init__(self, link: TwinLink, shaft: "str | None") -> None:
        self._link = link
        self._shaft = shaft

    def read_into(self, ticks) -> int:
        """Move edge times (us, modulo 2^30) into the array, oldest first; return how many."""
        self._link.pump()
        held = self._link.edges.get(self._shaft)
        if not held:
            return 0
        now = time.ticks_us()
        count = 0
        while held and count < len(ticks) and held[0] <= now:
            ticks[count] = held.pop(0) & _TICKS_MASK
            count += 1
        return count


class SilentWire:
    """A bus on which nobody answers: the twin simulates no thermometer or load cell of its own."""

    def reset(self) -> bool:
        """Say whether anybody is there."""
        return False

    def ready(self) -> bool:
        """Say whether a conversion waits."""
        return False


class Wlan:
    """The wireless network: there unless the twin says it is not."""

    def __init__(self, link: TwinLink) -> None:
        self._link = link

    def connect(self, ssid: str, password: "str | None") -> None:
        """Join a network; here there is only one, and it lets everybody in."""

    def connected(self) -> bool:
        """Say whether the network is there."""
        self._link.pump()
        return self._link.link

    def address(self) -> "str | None":
        """Return the node's address."""
        return "127.0.0.1" if self.connected() else None


class Watchdog:
    """Restarts the board when it is not fed in time.

    It can only bite when the program comes by again: one that hangs for ever it cannot end.
    """

    def __init__(self, timeout_ms: int, restart) -> None:
        self._timeout_us = timeout_ms * 1000
        self._restart = restart
        self._fed_us = time.ticks_us()

    def feed(self) -> None:
        """Show that the program lives."""
        if time.ticks_diff(time.ticks_us(), self._fed_us) > self._timeout_us:
            sys.stderr.write("the watchdog was not fed in time\n")
            self._restart()
        self._fed_us = time.ticks_us()


class Board:
    """The whole board. One per process."""

    def __init__(self, port: int) -> None:
        self._link = TwinLink(port)
        self.name = "linux, simulated plant"
        self.chip = self._link.chip
        self.wlan = Wlan(self._link)
        self._monitors = {}
        for address, wiring in self._link.wiring.get("i2c", {}).items():
            chip = part(wiring)
            self._monitors[int(address)] = chip
            self._link.consumers.append(chip.frame)
        self._writer = None  # of the newest connection; a node has one at a time
        self._link.consumers.append(self._watch_network)
        self._link.settle()

    def reset_cause(self) -> str:
        """Say why the board started: what the parent knows, else power."""
        return os.getenv("WHEELPIT_RESET") or "power"

    def ticks_ms(self) -> int:
        """Return milliseconds modulo 2^30."""
        return time.ticks_ms() & _TICKS_MASK

    def ticks_us(self) -> int:
        """Return microseconds modulo 2^30."""
        return time.ticks_us() & _TICKS_MASK

    def i2c(self, bus: int, sda: int, scl: int, freq_hz: int) -> I2cBus:  # noqa: ARG002 - one bus for all pins
        """Return the bus with the monitors that the twin described."""
        return I2cBus(self._monitors, self._link.pump, lambda: self._link.up)

    def adc(self, pin: int) -> AdcPin:
        """Return an analogue input."""
        return AdcPin(self._link, self._link.wiring.get("adc", {}).get(str(pin)))

    def edges(self, pin: int) -> Edges:
        """Return a pickup."""
        return Edges(self._link, self._link.wiring.get("edges", {}).get(str(pin)))

    def one_wire(self, pin: int):  # noqa: ARG002 - nothing hangs on any of them
        """Return a one-wire bus; nobody answers on it."""
        return SilentWire()

    def clocked_in(self, data: int, clock: int):  # noqa: ARG002 - the same
        """Return a converter with two lines; it is never ready."""
        return SilentWire()

    def switch(self, pin: int):
        """Return a function that gives 1 while the switch to ground is closed, else 0."""

        def closed() -> int:
            self._link.pump()
            return 1 if self._link.switches.get(str(pin)) else 0

        return closed

    def output(self, pin: int):  # noqa: ARG002 - any pin will do
        """Return a function that sets an output; nothing hangs on it here."""

        def put(value: int) -> None:
            pass

        return put

    async def open_connection(self, host: str, port: int, tls=None, name: "str | None" = None):
        """Open a TCP connection; raise OSError without a network, and end it when the network goes.

        tls: a context, to encrypt it and hold the other side to a name.
        """
        self._link.pump()
        if not self._link.link:
            raise OSError(errno.ENOTCONN)
        if tls is None:
            reader, writer = await asyncio.open_connection(host, port)
        else:
            reader, writer = await asyncio.open_connection(host, port, ssl=tls, server_hostname=name)
        if tls is None and hasattr(writer, "s"):
            writer.s.setsockopt(_IPPROTO_TCP, _TCP_NODELAY, 1)
        self._writer = writer
        return reader, writer

    def _watch_network(self, _begin_us: int, _end_us: int, _mean: dict) -> None:
        if not self._link.link and self._writer is not None:
            _abort(self._writer)
            self._writer = None

    def watchdog(self, timeout_ms: int) -> Watchdog:
        """Start the watchdog."""
        return Watchdog(timeout_ms, self.restart)

    def restart(self) -> None:
        """Restart the board; does not return."""
        sys.exit(RESTART)

    def random_bytes(self, count: int) -> bytes:
        """Return random bytes."""
        return os.urandom(count)


def _abort(writer) -> None:
    """End a connection at once: CPython has a transport for it, MicroPython the bare socket."""
    if hasattr(writer, "transport"):
        writer.transport.abort()
    else:
        writer.s.close()


_board = None


def board() -> Board:
    """Return the board; WHEELPIT_TWIN_PORT says where the twin listens."""
    global _board
    if _board is None:
        port = os.getenv("WHEELPIT_TWIN_PORT")
        if not port:
            raise SystemExit("WHEELPIT_TWIN_PORT is not set: start the twin and say its port")
        try:
            _board = Board(int(port))
        except (OSError, ValueError) as error:
            raise SystemExit("no twin answers on port %s (%s): start it first" % (port, error)) from error
    return _board
