"""Reads everything ten times a second and hands it to the recorder."""

import asyncio
from array import array

from micropython import const

from node.pulses import Wheel
from node.readers import Readers
from node.recorder import Recorder

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import Board

    from node.clock import Clock
    from node.guard import Guard
    from node.parking import Parking
    from node.recorder import Journal
    from node.records import Snapshot
    from node.settings import Settings
    from node.shaft import Shaft

# Edges handed over at once; at 250 rpm and twelve magnets 50 pass in a second.
_EDGES = const(64)
_TICKS_MASK = const(0x3FFFFFFF)
_STEP_MAX_MS = const(1000)  # a reading speaks for no longer


class Sampler:
    """The sensors of one node. Make one per boot, await `run`, ask `snapshot` whenever a live message is due.

    boot: number of this boot. journal: whatever has `append(rec)`. approximate: edges are counted by an
    interrupt, so a busy board can miss some. wheel, alternator: the shafts, None where not fitted. on_news: called
    with a sentence whenever the number of magnets seen or of interrupts put in again changes; see `installed`.
    guard: judges every sample, None without. parking: the switch "working here", None without.
    """

    __slots__ = (
        "_alternator_at", "_alternator_edges", "_alternator_lost", "_board", "_clock", "_drivers", "_edges",
        "_last", "_lost", "_readers", "_ticks", "_told", "alternator", "approximate", "guard", "on_news", "parking",
        "recorder", "wheel",
    )  # fmt: skip

    def __init__(  # noqa: PLR0917 - all of it is needed, once
        self,
        settings: "Settings",
        board: "Board",
        clock: "Clock",
        boot: int,
        journal: "Journal",
        guard: "Guard | None" = None,
    ) -> None:
        self._board = board
        self._clock = clock
        self._last = clock.tick()  # of the newest sample
        self.guard = guard
        told = settings.wheel
        self.wheel = Wheel(told.magnets, told.fastest_rpm, clock.up_ms()) if told is not None else None
        self._edges = board.edges(told.pin) if told is not None else None
        fast = settings.alternator
        self.alternator: "Shaft | None" = None
        self._alternator_edges = None
        if fast is not None:
            from node import shaft  # noqa: PLC0415 - no memory for it where there is none

            self.alternator = shaft.Shaft(fast.pulses_per_turn, fast.fastest_rpm, clock.up_ms())
            self._alternator_edges = board.edges(fast.pin)
        self._alternator_at = settings.layout.index("alternator_rpm")
        self._ticks = array("I", [0] * _EDGES)
        self._lost = 0
        self.on_news: Callable[[str], None] | None = None
        self._told = (told.magnets if told is not None else 0, 0)  # magnets seen, interrupts put in again
        self._alternator_lost = 0
        self.approximate = False
        for edges in (self._edges, self._alternator_edges):
            if edges is not None and not edges.exact:
                self.approximate = True
        self.parking: "Parking | None" = None
        if settings.parked_pin is not None:
            from node import parking  # noqa: PLC0415 - as above

            self.parking = parking.Parking(board.switch(settings.parked_pin), settings.parked_min * 60_000)
        made = Readers(settings, board)
        self._drivers = made.drivers
        self._readers = made.readers
        self.recorder = Recorder(settings, clock, boot, journal, self.wheel)

    async def run(self, beat: "Callable[[], None]") -> None:
        """Sample for ever; call `beat` after each sample."""
        while True:
            self.sample()
            beat()
            await asyncio.sleep_ms(self.recorder.until_next_ms(self._clock.tick()))

    def installed(self) -> int:
        """Return how often the interrupt of a pickup had died and was put in again since boot."""
        count = self._edges.installed if self._edges is not None else 0
        if self._alternator_edges is not None:
            count += self._alternator_edges.installed
        return count

    def snapshot(self) -> "Snapshot":
        """Return the newest values; the same object each time."""
        snapshot = self.recorder.snapshot()
        if self.guard is not None:
            snapshot.guard = self.guard.report()
        if self.parking is not None:
            snapshot.parked_ms = self.parking.held_ms if self.parking.closed else 0
        return snapshot

    def sample(self) -> None:
        """Read every channel once and count it."""
        recorder = self.recorder
        for driver in self._drivers:
            driver.update()
        for i, reader in self._readers:
            recorder.values[i] = reader.read()
            recorder.faults[i] = reader.fault
        self._read_wheel()
        self._read_alternator()
        tick = self._clock.tick()
        ms = min((tick - self._last) & _TICKS_MASK, _STEP_MAX_MS)
        self._last = tick
        parked = False
        parking = self.parking
        if parking is not None:
            parked = parking.look(ms)
        guard = self.guard
        if guard is not None:
            # First of all: to end a record takes time, and runaway does not wait.
            if parking is not None:
                guard.reminder = parking.reminder
            guard.tick(recorder.values, recorder.faults, self.wheel, parked, ms)
        recorder.take(tick, parked=parked)
        self._look_for_news()

    def _read_wheel(self) -> None:
        wheel = self.wheel
        edges = self._edges
        if wheel is None or edges is None:
            return
        count = edges.read_into(self._ticks)
        up_ms = self._clock.up_ms()
        if edges.lost != self._lost:
            wheel.missed(edges.lost - self._lost, up_ms)
            self._lost = edges.lost
        wheel.update(self._ticks, count, self._board.ticks_us(), up_ms)
        self.recorder.values[0] = wheel.mrpm  # wheel_rpm is the first of all channels
        self.recorder.faults[0] = "stuck" if wheel.blind else None

    def _read_alternator(self) -> None:
        shaft = self.alternator
        edges = self._alternator_edges
        if shaft is None or edges is None:
            return
        count = edges.read_into(self._ticks)
        if edges.lost != self._alternator_lost:
            shaft.missed(edges.lost - self._alternator_lost)
            self._alternator_lost = edges.lost
        shaft.update(self._ticks, count, self._board.ticks_us(), self._clock.up_ms())
        self.recorder.values[self._alternator_at] = shaft.mrpm

    def _look_for_news(self) -> None:
        seen, installed = self._told
        now = self.wheel.per_turn if self.wheel is not None else 0
        again = self.installed()
        if now == seen and again == installed:
            return
        self._told = (now, again)
        if self.on_news is None:
            return
        if now != seen:
            self.on_news("the pattern of the wheel's edges is that of %d magnets a turn" % now)
        if again != installed:
            self.on_news("the interrupt of a pickup had died and was put in again")
