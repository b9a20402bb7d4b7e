"""Puts a node together from its board and its settings, and runs it."""

import asyncio
import sys

from node import encode, settings, store
from node.boots import Boots
from node.clock import Clock
from node.delivery import Delivery
from node.desk import Desk
from node.faultlog import FaultLog
from node.fields import SettingsError
from node.kept import Kept, NotKept
from node.link import Link, Messages
from node.log import Log
from node.network import Network
from node.resolve import Resolver
from node.sampler import Sampler
from node.supervisor import WATCHDOG_MS, Supervisor

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable

    from hal import Board

    from node.control import Control
    from node.guard import Guard

VERSION = "0.1.0"
SAMPLER_LIMIT_MS = 3000
LINK_LIMIT_MS = 10000
KEEPER_LIMIT_MS = 10000
KEEPER_MS = 200
TRIAL = "trial"  # what settings on trial have left behind
SETUP_PAUSE_S = 10  # between looks at settings that are wrong
_TEXT_MOST = 120  # the contract's longest text

_WHEEL_DETAIL = ("pin", "magnets", "fastest_rpm")
_ALTERNATOR_DETAIL = ("pin", "pulses_per_turn", "fastest_rpm")


class Node:
    """Everything that runs on one board, for one boot. folder: of its files, None where it has no file system."""

    def __init__(self, board: "Board", told: settings.Settings, folder: "str | None" = None) -> None:
        self.board = board
        self.settings = told
        self.clock = Clock(board.ticks_ms)
        self.log = Log(self.clock.up_ms)
        self.kept = NotKept() if folder is None else Kept(folder + "/state")
        self._cause = board.reset_cause()
        self.boots = Boots(self.kept, self._cause)
        if self.boots.minimal:
            told.leave_out()
        # First of all: what has acted must stand again before anything else takes its time.
        self.guard: "Guard | None" = None
        if told.guard is not None:
            from node import guard  # noqa: PLC0415 - no memory for it where there is none

            self.guard = guard.Guard(told, board, self.kept)
        self.journal = store.make(folder, told, board, self.kept, self.clock.up_ms, self.log.note)
        self.faults = FaultLog(self.kept.files, self.clock, self.journal.boot)
        self.log.keeper = self.faults.add if folder is not None else None
        self._tell_of_the_start()
        self._folder = folder
        self.control = Desk(self._make_control) if folder is not None else None
        if self.control is not None and self.kept.there(TRIAL):
            self.control.open()
        messages = Messages(
            told.site, told.node, self.journal.id, self.journal.boot, controlled=self.control is not None
        )
        live = encode.LiveEncoder(told.layout, self.journal.id, self.journal.boot, messages.live)
        records = encode.RecordEncoder(told.layout, self.journal.id, messages.record)
        self.delivery = Delivery(self.journal, records, self.clock, told.rewind_s * 1000)
        dog = board.watchdog(WATCHDOG_MS)
        resolver = Resolver(dog.feed, board=board, now_ms=self.clock.up_ms)
        self.link = Link(
            board,
            told,
            self.clock,
            self.log,
            self.delivery,
            network=Network(board, told, self.clock, self.log, resolver, restart=self.restart),
            messages=messages,
            live=lambda: live.fill(self.sampler.snapshot()),
            birth=self.birth,
            control=self.control,
        )
        self.supervisor = Supervisor(self.clock.up_ms, dog, self.restart, self.log)
        self.supervisor.on_late = self._keep_faults_now
        if told.time is not None:
            from node.timekeeper import Timekeeper  # noqa: PLC0415 - as for the guard

            keeper = Timekeeper(board, told.time, self.clock, self.log, resolver)
            self.supervisor.add("time", keeper.run, LINK_LIMIT_MS)
        # Last of all: its time counts from here on, and what passes before the first sample is not measured.
        self.sampler = Sampler(told, board, self.clock, self.journal.boot, self.journal, self.guard)
        self.sampler.on_news = self._news
        self.supervisor.add("sampler", self.sampler.run, SAMPLER_LIMIT_MS)
        self.supervisor.add("link", self.link.run, LINK_LIMIT_MS)
        self.supervisor.add("keeper", self._keep, KEEPER_LIMIT_MS)
        if hasattr(self.journal, "keep"):
            self.supervisor.add("journal", self.journal.keep, KEEPER_LIMIT_MS)

    async def run(self) -> None:
        """Run for ever."""
        await self.supervisor.run()

    def restart(self) -> None:
        """Restart the board, with everything on the flash that can be."""
        self._keep_faults_now()
        flush = getattr(self.journal, "flush", None)
        if flush is not None:
            flush()
        self.board.restart()

    async def _keep(self, beat: "Callable[[], None]") -> None:
        """Do, for ever, what is to be done soon but not at once."""
        while True:
            beat()
            try:
                self.look()
            except OSError as error:
                self.log.note("the flash does not take what is to be kept (%s)" % error)
            await asyncio.sleep_ms(KEEPER_MS)

    def look(self) -> None:
        """Keep what the guard and the fault log hold, and restart if it is time. Raises OSError."""
        up_ms = self.clock.up_ms()
        if self.guard is not None:
            self.guard.keep(self.log.fault)
        if self.boots.look(up_ms):
            self.boots.leave()
            self.log.fault("restarting: an hour in minimal mode")
            self.restart()
        if self.control is not None and self.control.look(up_ms):
            self.boots.forgive()
            self.log.fault("restarting: as asked")
            self.restart()
        self.faults.keep()

    def _keep_faults_now(self) -> None:
        try:
            self.faults.keep(at_once=True)
        except OSError as error:
            self.log.note("the faults cannot be kept (%s)" % error)

    def _tell_of_the_start(self) -> None:
        if self.faults.last:
            self.log.note("the last fault before this start: " + self.faults.last)
        if self.boots.minimal:
            self.log.fault("minimal mode: %d starts in a row came too soon" % self.boots.fast)
        elif self.boots.fast:
            self.log.fault("started again: %s" % self._cause)

    def _make_control(self) -> "Control":
        from node.control import Control  # noqa: PLC0415 - no memory for them until they are needed
        from node.orders import Orders  # noqa: PLC0415 - as above
        from node.trial import Trial  # noqa: PLC0415 - as above

        quiet = self.guard.quiet if self.guard is not None else None
        orders = Orders(self.clock, self.kept, self._lamp(), quiet)
        folder = self._folder or ""
        return Control(self.settings, folder, Trial(folder, self.kept), orders, self._decided)

    def _lamp(self) -> "Callable[[int], None] | None":
        """Return what sets the board's own lamp, None where there is none."""
        if self.settings.lamp is None:
            return None
        output: "Any" = self.board.output  # some boards know pins by name as well
        try:
            put: "Callable[[int], None]" = output(self.settings.lamp)
        except (ValueError, TypeError, OSError) as error:
            self.log.note("lamp %s: not on this board (%s)" % (self.settings.lamp, error))
            return None
        return put

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
            "reset": self._cause[:_TEXT_MOST],
            "mode": "minimal" if self.boots.minimal else "normal",
            "revision": self.settings.revision,
            "refused_revision": self.control.refused if self.control is not None else 0,
            "last_fault": self.faults.last[:_TEXT_MOST],
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

    def _decided(self, text: str) -> None:
        """Note what became of new settings; the birth says which revision is in force and which was refused."""
        self.log.fault(text)
        self.delivery.birth_due = True

    def _news(self, text: str) -> None:
        """Note what the sampler has found out about its own pickups, and have the host told."""
        self.log.note(text)
        self.delivery.birth_due = True


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
    home = folder.rstrip("/")
    kept = Kept(home + "/state")
    try:
        if kept.there(TRIAL):
            from node.trial import Trial  # noqa: PLC0415 - as above

            Trial(home, kept).at_boot()
    except OSError as error:
        print("settings on trial cannot be looked at (%s)" % error)
    told = await read_settings(home)
    await Node(board, told, home).run()
