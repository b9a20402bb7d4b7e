"""Reads everything ten times a second and hands it to the recorder."""

import asyncio
from array import array

from micropython import const

from node.analogue import AnalogueReader
from node.ina226 import BusReader, CurrentReader, Ina226
from node.pulses import Wheel
from node.recorder import Recorder
from node.settings import AdcSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import Board

    from node.clock import Clock
    from node.recorder import Journal
    from node.records import Snapshot
    from node.settings import MonitorSettings, Settings

    Reader = AnalogueReader | BusReader | CurrentReader

# Edges handed over at once; at 250 rpm and twelve magnets 50 pass in a second.
_EDGES = const(64)
# The switch "working here" counts when it has been the same for this many samples.
_STEADY = const(3)


class Sampler:
    """The sensors of one node. Make one per boot, await `run`, ask `snapshot` whenever a live message is due.

    boot: number of this boot. journal: whatever has `append(rec)`. approximate: edges are counted by an
    interrupt, so a busy board can miss some.
    """

    __slots__ = (
        "_board", "_chips", "_clock", "_count", "_edges", "_lost", "_parked", "_readers", "_switch", "_ticks",
        "approximate", "recorder", "wheel",
    )  # fmt: skip

    def __init__(
        self, settings: "Settings", board: "Board", clock: "Clock", boot: int, journal: "Journal"
    ) -> None:
        self._board = board
        self._clock = clock
        told = settings.wheel
        self.wheel = Wheel(told.magnets, told.fastest_rpm, clock.up_ms()) if told is not None else None
        self._edges = board.edges(told.pin) if told is not None else None
        self._ticks = array("I", [0] * _EDGES)
        self._lost = 0
        self.approximate = self._edges is not None and not self._edges.exact
        self._switch = board.switch(settings.parked_pin) if settings.parked_pin is not None else None
        self._parked = False
        self._count = 0
        self._chips: dict[int, Ina226] = {}
        # Each reader with the index of its channel.
        self._readers = [
            (settings.layout.index(channel.channel), self._reader(settings, channel))
            for channel in settings.channels
        ]
        self.recorder = Recorder(settings, clock, boot, journal, self.wheel)

    def _reader(self, settings: "Settings", channel: "MonitorSettings | AdcSettings") -> "Reader":
        if isinstance(channel, AdcSettings):
            return AnalogueReader(self._board.adc(channel.pin), channel)
        bus = settings.i2c
        if bus is None:
            raise ValueError(channel.channel)  # the settings were not checked
        if channel.address not in self._chips:
            i2c = self._board.i2c(bus.bus, bus.sda, bus.scl, bus.freq_hz)
            self._chips[channel.address] = Ina226(i2c, channel.address)
        chip = self._chips[channel.address]
        return BusReader(chip) if channel.reads == "bus" else CurrentReader(chip, channel)

    async def run(self, beat: "Callable[[], None]") -> None:
        """Sample for ever; call `beat` after each sample."""
        while True:
            self.sample()
            beat()
            await asyncio.sleep_ms(self.recorder.until_next_ms(self._clock.tick()))

    def snapshot(self) -> "Snapshot":
        """Return the newest values; the same object each time."""
        return self.recorder.snapshot()

    def sample(self) -> None:
        """Read every channel once and count it."""
        recorder = self.recorder
        for chip in self._chips.values():
            chip.update()
        for i, reader in self._readers:
            recorder.values[i] = reader.read()
            recorder.faults[i] = reader.fault
        self._read_wheel()
        recorder.take(self._clock.tick(), parked=self._is_parked())

    def _read_wheel(self) -> None:
        wheel = self.wheel
        edges = self._edges
        if wheel is None or edges is None:
            return
        if edges.lost != self._lost:
            self._lost = edges.lost
            wheel.lose_track()
        count = edges.read_into(self._ticks)
        wheel.update(self._ticks, count, self._board.ticks_us(), self._clock.up_ms())
        self.recorder.values[0] = wheel.mrpm  # wheel_rpm is the first of all channels

    def _is_parked(self) -> bool:
        if self._switch is None:
            return False
        if bool(self._switch()) == self._parked:
            self._count = 0
        else:
            self._count += 1
            if self._count >= _STEADY:
                self._parked = not self._parked
                self._count = 0
        return self._parked
