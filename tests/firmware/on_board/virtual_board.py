"""A board in virtual time, on a line to whoever owns the time: it says how far it may go and what comes from the network.

Line: the board sends `(now_ms, target_ms, length)` and that many bytes of its own news whenever everything sleeps and
something is to be said or the time allowed is over; the answer is `(now_ms, horizon_ms, state, length)` and news. News are
a kind, a length, and bytes. Kinds from the board: o open a connection, w written to it, c closed, p a probe (JSON), r restart,
! the power has failed in the middle of an operation on the flash. To the board: a accepted, d data, x closed, k power fails
after so many operations on the flash.
"""

import errno
import json
import os
import socket
import struct
import time
from array import array

import ram_flash
import virtual_plant

from node.ina226 import CONFIGURATION

# Bits of the state: there is a network, the bus answers, others fill the file system, no call of the radio returns.
NETWORK, BUS, FULL, HANGS = 1, 2, 4, 8
ROOT = "/flash"
_STEPS_MS = 1000  # errors of the sampling period are counted up to here


class Line:
    """The connection to the owner of the time."""

    def __init__(self, port):
        self.socket = socket.socket()
        self.socket.connect(socket.getaddrinfo("127.0.0.1", port)[0][-1])
        self.socket.setsockopt(6, 1, 1)
        self.news = bytearray()

    def hello(self):
        """Return what the owner tells at the start."""
        (length,) = struct.unpack("<I", self._exactly(4))
        return json.loads(self._exactly(length))

    def say(self, kind, data=b""):
        """Put news into the next message."""
        self.news.extend(struct.pack("<BI", ord(kind), len(data)))
        self.news.extend(data)

    def turn(self, now_ms, target_ms):
        """Send what there is; return the answer."""
        self.socket.write(struct.pack("<QQI", now_ms, target_ms, len(self.news)))
        if self.news:
            self.socket.write(self.news)
            self.news = bytearray()
        now_ms, horizon_ms, state, length = struct.unpack("<QQBI", self._exactly(21))
        return now_ms, horizon_ms, state, self._exactly(length) if length else b""

    def _exactly(self, count):
        data = self.socket.read(count)
        if data is None or len(data) != count:
            raise OSError(errno.ECONNRESET)
        return data


class Flash(ram_flash.RamFlash):
    """A flash chip that is a file, so that it outlives the process. stalls_ms: how long each erasure holds everything up."""

    def __init__(self, path, blocks, board, stalls_ms):
        self.file = open(path, "r+b")  # noqa: SIM115 - as long as the board
        self.blocks = blocks
        self.erases = array("I", [0] * blocks)
        self.board = board
        self.stalls_ms = stalls_ms  # of the next erasures; the last one is that of all further ones
        self.cut_in = None
        self.programmed = 0

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * ram_flash.BLOCK + offset)
        self.file.readinto(buffer)

    def _operate(self, block, offset, data):
        if self.cut_in is not None:
            self.cut_in -= 1
            if self.cut_in < 0:
                if data is not None:
                    self._put(block, offset, data[: len(data) // 2])
                self.board.lose_power()
        if data is None:
            self.erases[block] += 1
            if self.board.pickup.asked_ms is not None:  # the node samples
                self.board.stall(self.stalls_ms.pop(0) if len(self.stalls_ms) > 1 else self.stalls_ms[0])
            data = ram_flash._ERASED
        else:
            self.programmed += len(data)
        self._put(block, offset, data)
        return False

    def _put(self, block, offset, data):
        self.file.seek(block * ram_flash.BLOCK + offset)
        self.file.write(data)


class Monitor:
    """An INA226 on the bus whose registers always show this moment's voltage and current."""

    def __init__(self, board):
        self.board = board
        self.written = {0x00: 0x4127, 0x05: 0}
        self.recoveries = 0

    def readfrom_mem_into(self, address, register, buffer):
        board = self.board
        if not board.state & BUS or address != 64:
            raise OSError(errno.EIO)
        board.look()
        if register == 0x01:
            value = board.course.ma * 3 // 5 & 0xFFFF if self.written[0x00] == CONFIGURATION else 0
        elif register == 0x02:
            value = board.course.mv * 4 // 5
        elif register == 0xFE:
            value = 0x5449
        elif register == 0xFF:
            value = 0x2260
        else:
            value = self.written.get(register, 0)
        buffer[0] = value >> 8
        buffer[1] = value & 0xFF

    def writeto_mem(self, address, register, buffer):
        if not self.board.state & BUS:
            raise OSError(errno.EIO)
        self.written[register] = buffer[0] << 8 | buffer[1]

    def recover(self):
        self.recoveries += 1


class Edges:
    """The pickup, counted in hardware; it also looks how evenly it is asked."""

    exact = True
    lost = 0
    installed = 0

    def __init__(self, board):
        self.board = board
        self.waiting = []
        self.asked_ms = None
        self.errors = array("I", [0] * (_STEPS_MS + 1))  # how often the period was wrong by so many ms

    def read_into(self, ticks):
        board = self.board
        now_ms = board.time.now_ms
        if self.asked_ms is not None:
            self.errors[min(abs(now_ms - self.asked_ms - 100), _STEPS_MS)] += 1
        self.asked_ms = now_ms
        board.look()
        waiting = self.waiting
        count = 0
        while waiting and count < len(ticks):
            ticks[count] = waiting.pop(0) & 0x3FFFFFFF
            count += 1
        return count


class Adc:
    """A divider at the rectified voltage, which follows the battery."""

    def __init__(self, board):
        self.board = board

    def read_u16(self):
        self.board.look()
        return self.board.course.mv


class Streams:
    """A connection: what is written goes on the line, what comes in waits here."""

    def __init__(self, board, event):
        self.board = board
        self.event = event
        self.data = b""
        self.open = None  # None: not yet answered

    async def _wait(self):
        self.event.clear()
        await self.event.wait()

    async def opened(self):
        while self.open is None:
            await self._wait()
        if not self.open:
            raise OSError(errno.ECONNREFUSED)

    async def readexactly(self, count):
        while len(self.data) < count:
            if not self.open:
                raise EOFError
            await self._wait()
        data = self.data[:count]
        self.data = self.data[count:]
        return data

    def write(self, data):
        if not self.open:
            raise OSError(errno.ECONNRESET)
        self.board.line.say("w", data)

    async def drain(self):
        pass

    def close(self):
        if self.open:
            self.open = False
            self.board.line.say("c")
        self.event.set()

    async def wait_closed(self):
        pass

    def take(self, kind, data):
        if kind == "d":
            self.data += data
        elif kind == "a":
            self.open = True
        else:
            self.open = False
        self.event.set()


class Board:
    """The board. told: seed of the plant, chance, chip, blocks and image of the flash, stalls_ms."""

    name = "bench, virtual time"

    def __init__(self, line, told, virtual, event):
        self.line = line
        self.time = virtual
        self.chip = told["chip"]
        self.chance = told["chance"]  # so that a history can be lived again
        self.state = NETWORK | BUS
        self.horizon_ms = 0
        self.course = virtual_plant.Course(told["seed"], virtual.now_ms)
        self.bus = Monitor(self)
        self.pickup = Edges(self)
        self.streams = None
        self.wlan = self
        self.make_event = event
        self.bites_ms = 0  # of the watchdog
        self.flash = Flash(told["image"], told["blocks"], self, told["stalls_ms"])
        virtual.pass_until = self.pass_until

    # Time -----------------------------------------------------------------------------------------------------

    def pass_until(self, target_ms):
        """Let time pass while everything sleeps; hear what happens in it."""
        if not self.line.news and target_ms <= self.horizon_ms:
            self.time.now_ms = target_ms
            return
        self.time.now_ms, self.horizon_ms, state, news = self.line.turn(self.time.now_ms, target_ms)
        if state != self.state:
            self._change(state)
        at = 0
        while at < len(news):
            kind, length = struct.unpack_from("<BI", news, at)
            at += 5
            data = news[at : at + length]
            at += length
            if chr(kind) == "k":
                self.flash.cut_in = struct.unpack("<I", data)[0]
            elif self.streams is not None:
                self.streams.take(chr(kind), data)

    def look(self):
        """Bring the plant up to now."""
        self.course.advance(self.time.now_ms, self.pickup.waiting.append)

    def stall(self, ms):
        """Hold everything up, as flash does while it erases."""
        self.time.now_ms += ms

    def lose_power(self):
        """Be switched off: whoever owns the time ends this process."""
        self.line.say("!")
        self.line.turn(self.time.now_ms, self.time.now_ms)
        time.sleep(60)

    def _change(self, state):
        changed = state ^ self.state
        self.state = state
        if changed & NETWORK and not state & NETWORK and self.streams is not None:
            self.streams.take("x", b"")
        if changed & FULL:
            if state & FULL:
                _fill()
            else:
                os.remove(ROOT + "/others")

    # What the firmware asks for -------------------------------------------------------------------------------

    def reset_cause(self):
        return "power"

    def ticks_ms(self):
        return self.time.now_ms & 0x3FFFFFFF

    def ticks_us(self):
        return self.time.now_ms * 1000 & 0x3FFFFFFF

    def i2c(self, *_pins):
        return self.bus

    def adc(self, _pin):
        return Adc(self)

    def edges(self, _pin):
        return self.pickup

    def switch(self, _pin):
        return lambda: 0

    def output(self, _pin):
        return lambda _value: None

    def connect(self, _ssid, _password):
        pass

    def connected(self):
        if self.state & HANGS:  # for ever: the watchdog ends it
            self.time.now_ms += self.bites_ms
            self.restart()
        return bool(self.state & NETWORK)

    def address(self):
        return "10.0.0.2" if self.state & NETWORK else None

    async def open_connection(self, _host, _port):
        if not self.state & NETWORK:
            raise OSError(errno.ENOTCONN)
        if self.streams is not None:
            self.streams.close()
        self.streams = Streams(self, self.make_event())
        self.line.say("o")
        await self.streams.opened()
        return self.streams, self.streams

    def watchdog(self, timeout_ms):
        self.bites_ms = timeout_ms
        return self

    def feed(self):
        pass

    def restart(self):
        self.line.say("r")
        self.line.turn(self.time.now_ms, self.time.now_ms)
        time.sleep(60)

    def random_bytes(self, count):
        found = bytearray(count)
        for i in range(count):
            self.chance = virtual_plant.mixed(self.chance)
            found[i] = self.chance & 0xFF
        return bytes(found)


def _fill():
    """Fill the file system with somebody else's file."""
    with open(ROOT + "/others", "wb") as file:
        try:
            while True:
                file.write(ram_flash._ERASED)
                file.flush()
        except OSError:
            pass
