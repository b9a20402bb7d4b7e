"""A bench for the measuring side: a board without a network, whose clock, chips and pins a test moves."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from array import array
    from collections.abc import Callable

_SIM = str(Path(__file__).resolve().parents[2] / "firmware" / "sim")
if _SIM not in sys.path:
    sys.path.append(_SIM)
chips: Any = importlib.import_module("chips")

WRAP = 1 << 30


class Bus:
    """An I2C bus with simulated monitors, on which accesses can be made to fail."""

    def __init__(self, chips_by_address: dict[int, Any]) -> None:
        self.chips = chips_by_address
        self.failing: set[int] = set()
        self.recoveries = 0
        self.log: list[tuple[str, int, int]] = []

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        self.log.append(("read", address, register))
        buffer[:] = self._chip(address).read(register).to_bytes(len(buffer), "big")

    def writeto_mem(self, address: int, register: int, buffer: bytearray) -> None:
        self.log.append(("write", address, register))
        self._chip(address).write(register, int.from_bytes(buffer, "big"))

    def recover(self) -> None:
        self.recoveries += 1

    def _chip(self, address: int) -> Any:
        if address in self.failing or address not in self.chips:
            raise OSError(5)
        return self.chips[address]


class Adc:
    """An analogue input that shows what it is told."""

    def __init__(self) -> None:
        self.raw = 0

    def read_u16(self) -> int:
        return self.raw


class Edges:
    """A pickup whose edges a test puts in, as microseconds since the start."""

    exact = True
    installed = 0

    def __init__(self, board: Board) -> None:
        self._board = board
        self.waiting: list[int] = []
        self.newest_us = 0
        self.lost = 0

    def read_into(self, ticks: array[int]) -> int:
        due = [at for at in self.waiting if at <= self._board.now_us][: len(ticks)]
        del self.waiting[: len(due)]
        for i, at in enumerate(due):
            ticks[i] = (at + self._board.from_us) % WRAP
            self.newest_us = at
        return len(due)


class Board:
    """The pins of a board, and its time: `pass_ms` lets it go by, for the chips too."""

    def __init__(self, from_us: int = 0) -> None:
        self.from_us = from_us
        self.now_us = 0
        self.bus = Bus({})
        self.supply: dict[int, tuple[float, float]] = {}  # bus and shunt volts by address
        self.adcs: dict[int, Adc] = {}
        self.pickup = Edges(self)
        self.closed = False

    def add_monitor(self, address: int, bus_v: float, shunt_v: float) -> Any:
        chip = self.bus.chips[address] = chips.Ina226Chip()
        self.supply[address] = (bus_v, shunt_v)
        return chip

    def pass_ms(self, ms: int) -> None:
        self.now_us += ms * 1000
        for address, chip in self.bus.chips.items():
            chip.feed(ms * 1000, *self.supply[address])

    def ticks_us(self) -> int:
        return (self.now_us + self.from_us) % WRAP

    def ticks_ms(self) -> int:
        return (self.now_us + self.from_us) // 1000 % WRAP

    def i2c(self, *_pins: int) -> Bus:
        return self.bus

    def adc(self, pin: int) -> Adc:
        return self.adcs.setdefault(pin, Adc())

    def edges(self, _pin: int) -> Edges:
        return self.pickup

    def switch(self, _pin: int) -> Callable[[], int]:
        return lambda: int(self.closed)
