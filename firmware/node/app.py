"""Puts a node together from its board and its settings, and runs it."""

import asyncio
import gc
import sys

from node import encode, settings
from node.clock import Clock
from node.delivery import Delivery
from node.fields import SettingsError
from node.journal import ROOM_BYTES, RamJournal
from node.link import Link, Messages
from node.log import Log
from node.sampler import Sampler
from node.supervisor import WATCHDOG_MS, Supervisor

TYPE_CHECKING = False
if TYPE_CHECKING:
    from hal import Board

VERSION = "0.1.0"
SAMPLER_LIMIT_MS = 3000
LINK_LIMIT_MS = 10000
SETUP_PAUSE_S = 10  # between looks at settings that are wrong
JOURNAL_SHARE = 4  # of the memory that is free: one part
_TEXT_MOST = 120  # the contract's longest text

_WHEEL_DETAIL = ("pin", "magnets", "fastest_rpm")
_ALTERNATOR_DETAIL = ("pin", "pulses_per_turn", "fastest_rpm")


class Node:
    """Everything that runs on one board, for one boot."""

    def __init__(self, board: "Board", told: settings.Settings) -> None:
        self.board = board
        self.settings = told
        self.clock = Clock(board.ticks_ms)
        self.log = Log(self.clock.up_ms)
        self.journal = RamJournal(told.layout, board.random_bytes, _room())
        self.sampler = Sampler(told, board, self.clock, self.journal.boot, self.journal)
        messages = Messages(told.site, told.node, self.journal.id, self.journal.boot)
        live = encode.LiveEncoder(told.layout, self.journal.id, self.journal.boot, messages.live)
        records = encode.RecordEncoder(told.layout, self.journal.id, messages.record)
        self.sampler.on_news = self._news
        self.delivery = Delivery(self.journal, records, self.clock, told.rewind_s * 1000)
        self.link = Link(
            board,
            told,
            self.clock,
            self.log,
            self.delivery,
            messages=messages,
            live=lambda: live.fill(self.sampler.snapshot()),
            birth=self.birth,
        )
        self.supervisor = Supervisor(self.clock.up_ms, board.watchdog(WATCHDOG_MS), board.restart, self.log)
        self.supervisor.add("sampler", self.sampler.run, SAMPLER_LIMIT_MS)
        self.supervisor.add("link", self.link.run, LINK_LIMIT_MS)

    async def run(self) -> None:
        """Run for ever."""
        await self.supervisor.run()

    def birth(self) -> "dict[str, object]":
        """Return who this node is and what it holds."""
        journal = self.journal
        return {
            "journal": journal.id,
            "boot": journal.boot,
            "chip": self.board.chip,
            "oldest": journal.oldest,
            "newest": journal.newest,
            "firmware": VERSION,
            "interpreter": _interpreter(),
            "board": self.board.name[:_TEXT_MOST],
            "reset": self.board.reset_cause()[:_TEXT_MOST],
            "record_s": self.settings.record_s,
            "channels": self._channels(),
            "totals": self.settings.layout.totals,
            "capacity": journal.capacity,
            "held": journal.held,
            "approximate": self.sampler.approximate,
            "restarts": self._restarts(),
        }

    def _channels(self) -> "dict[str, object]":
        found = _channels(self.settings)
        wheel = self.sampler.wheel
        if wheel is not None and wheel.per_turn != wheel.magnets:
            detail: "dict[str, object]" = {"magnets_seen": wheel.per_turn}
            for name in _WHEEL_DETAIL:
                detail[name] = getattr(self.settings.wheel, name)
            found["wheel_rpm"] = {"source": "edges", "detail": detail}
        return found

    def _restarts(self) -> "dict[str, int]":
        found = self.supervisor.restarts()
        again = self.sampler.installed()
        if again:
            found["pickup"] = again
        return found

    def _news(self, text: str) -> None:
        """Note what the sampler has found out about its own pickups, and have the host told."""
        self.log.note(text)
        self.delivery.birth_due = True


def _room() -> int:
    """Return how many bytes the journal may take: a share of what is free now, before the network takes its own."""
    gc.collect()
    free = getattr(gc, "mem_free", None)
    return ROOM_BYTES if free is None else min(ROOM_BYTES, free() // JOURNAL_SHARE)


def _interpreter() -> str:
    version = sys.implementation.version
    text = "%s %d.%d.%d" % (sys.implementation.name, version[0], version[1], version[2])
    return ("%s (%s)" % (text, sys.version))[:_TEXT_MOST]


def _channels(told: settings.Settings) -> "dict[str, object]":
    found: dict[str, object] = {}
    if told.wheel is not None:
        found["wheel_rpm"] = _channel("edges", told.wheel, _WHEEL_DETAIL)
    if told.alternator is not None:
        found["alternator_rpm"] = _channel("edges", told.alternator, _ALTERNATOR_DETAIL)
    for channel in told.channels:
        found[channel.channel] = _channel(channel.chip, channel, channel.detail)
    return found


def _channel(source: str, told: object, detail: "tuple[str, ...]") -> "dict[str, object]":
    return {"source": source, "detail": {name: getattr(told, name) for name in detail}}


async def read_settings(folder: str) -> settings.Settings:
    """Return the settings as soon as they are right; until then say what is wrong with them, once for each change.

    A node whose settings are wrong stays reachable at its console and looks again, rather than restarting for ever.
    """
    told = ""
    while True:
        try:
            return settings.load(folder)
        except SettingsError as error:
            if str(error) != told:
                told = str(error)
                print("These settings cannot be used; they are read again every %d s:" % SETUP_PAUSE_S)
                for problem in error.problems:
                    print("  " + problem)
        await asyncio.sleep(SETUP_PAUSE_S)


async def run(board: "Board", folder: str) -> None:
    """Run the node whose settings lie in a folder, for ever."""
    told = await read_settings(folder)
    await Node(board, told).run()
