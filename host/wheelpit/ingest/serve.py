"""The service: the ledger's one writer, its broker connection, the watch, and the child that tells people.

It never waits for the broker to be there before it is ready, ends at SIGTERM with everything it was given either
committed and receipted or left to the nodes, and ends non-zero when a part of it died.
"""

from __future__ import annotations

import fcntl
import logging
import signal
import sqlite3
import threading
import time
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Protocol

from wheelpit.errors import WheelpitError
from wheelpit.ingest.gate import Gate
from wheelpit.ingest.inbox import Failed, Inbox
from wheelpit.ingest.manager import Manager
from wheelpit.ingest.mqtt import Link
from wheelpit.ingest.upkeep import Upkeep
from wheelpit.ingest.watchdog import Watchdog
from wheelpit.ingest.writer import Writer, host_status
from wheelpit.places import announce, running
from wheelpit.plant.load import load_plant
from wheelpit.store import ledger as ledgers
from wheelpit.store import live as lives
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.days import LocalDays
from wheelpit.store.upkeep import KEEP_DAYS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from types import FrameType

    from wheelpit.ingest.address import Broker
    from wheelpit.ingest.batch import Watching
    from wheelpit.plant.description import Plant

_TURN_S: Final = 0.5  # the longest wait for something to come before time passes for the watch
_TICK_S: Final = 1.0
_SILENT_S: Final = 300.0
_AFTER_FAILURE_S: Final = 0.5
_DRAIN_S: Final = 3.0  # how long it goes on handling what came before it was asked to end

_log = logging.getLogger(__name__)


class AlreadyRunningError(WheelpitError):
    """Another service works on this state folder."""


class StateError(WheelpitError):
    """The state folder cannot be read or written."""

    exit_code = 74  # EX_IOERR of sysexits.h


class Messenger(Protocol):
    """Who tells people of alarms, in a process of its own."""

    def start(self) -> None:
        """Begin; raise a `WheelpitError` if it cannot."""

    def tend(self) -> None:
        """Begin again if it died."""

    def stop(self) -> None:
        """End; what was not sent stays owed."""


@dataclass(frozen=True, slots=True)
class Options:
    """What `wheelpit serve` is told.

    `make_watch` gives the watch of a plant, writing on the ledger's connection; without it nothing is judged.
    `accept_clock` says that the host's clock is right although the ledger has seen later times. `keep_days` is for
    how many days full records stay; None keeps them for ever.
    """

    plant: Path
    state: Path
    broker: Broker
    make_watch: Callable[[Plant, sqlite3.Connection], Watching] | None = None
    messenger: Messenger | None = None
    accept_clock: bool = False
    keep_days: int | None = KEEP_DAYS


def now_ms() -> int:
    """Return the time of day in Unix milliseconds."""
    return time.time_ns() // 1_000_000


@contextmanager
def only_one(state: Path) -> Iterator[None]:
    """Hold the state folder for this process; raise `AlreadyRunningError` if another one holds it."""
    try:
        state.mkdir(parents=True, exist_ok=True)
        file = (state / "serve.lock").open("a+b")
    except OSError as error:
        msg = f"{state} cannot be written: {error}. Look for a read-only, full or failing disk"
        raise StateError(msg) from error
    with file as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            other = running(state, "serve")
            who = "" if other is None else f" (process {other['pid']})"
            msg = (
                f"a service works on {state} already{who}: end it first, or give another folder with --state"
            )
            raise AlreadyRunningError(msg) from error
        yield


class Service:
    """Everything that runs, from start to stop. One instance runs once.

    Args:
        options: what the command was told.
        clock_ms: the time of day.
        manager: who started the service and wants to know how it is.

    """

    def __init__(
        self, options: Options, clock_ms: Callable[[], int] = now_ms, manager: Manager | None = None
    ) -> None:
        self._options = options
        self._clock_ms = clock_ms
        self._manager = Manager() if manager is None else manager
        self._stopping = threading.Event()
        self._beat_s = time.monotonic()

    def stop(self) -> None:
        """Ask it to end: what is queued is handled first."""
        self._stopping.set()

    def run(self) -> None:
        """Run until `stop`; raise a `WheelpitError` when it cannot go on."""
        try:
            self._run()
        except sqlite3.DatabaseError as error:
            msg = (
                f"the files in {self._options.state} cannot be used: {error}. Look for a full or failing disk; "
                "the nodes keep their records meanwhile"
            )
            raise StateError(msg) from error

    def _run(self) -> None:
        options = self._options
        plant = load_plant(options.plant)
        site = plant.site.id
        with ExitStack() as stack:
            stack.enter_context(only_one(options.state))
            ledger = stack.enter_context(ledgers.Ledger(options.state / ledgers.FILE, self._clock_ms()))
            mark = ledger.begin_start(self._clock_ms())
            with ledger.transaction() as db:
                keeper = Bookkeeper(db, site, plant.site.time_zone, _log.info)
                if options.accept_clock:
                    keeper.accept_clock(self._clock_ms())
            live = lives.LiveStore(options.state / lives.FILE)
            stack.callback(live.close)
            inbox = Inbox()
            offline = host_status(site, mark, online=False)
            link = Link(options.broker, site, offline, inbox)
            writer = Writer(
                ledger=ledger,
                keeper=keeper,
                live=live,
                watch=None if options.make_watch is None else options.make_watch(plant, ledger.connection),
                outlet=link,
                site=site,
                mark=mark,
                clock_ms=self._clock_ms,
                gate=Gate({*plant.node_ids, *keeper.nodes()}),
            )
            watchdog = Watchdog({"writer": lambda: self._beat_s, "network": lambda: link.beat_s}, _SILENT_S)
            watchdog.start()
            stack.callback(watchdog.stop)
            if options.messenger is not None:
                options.messenger.start()
                stack.callback(options.messenger.stop)
            stack.callback(link.close)
            link.start()
            stack.enter_context(announce(options.state, "serve", site=site, broker=str(options.broker)))
            _log.info("serving %s from %s, ledger %s, start %d", site, options.state, mark.ledger, mark.start)
            self._manager.ready(f"serving {site}")
            # However it ends, the nodes are told, so that they keep their records instead of sending them.
            stack.callback(link.send, (), [offline])
            days = LocalDays(plant.site.time_zone)
            self._turn(inbox, writer, Upkeep(ledger, days, options.keep_days, self._clock_ms()))
        _log.info("ended; what was not receipted stays with the nodes")

    def _turn(self, inbox: Inbox, writer: Writer, upkeep: Upkeep) -> None:
        messenger = self._options.messenger
        ticked_s = 0.0
        ends_s: float | None = None
        while True:
            if ends_s is None and self._stopping.is_set():
                self._manager.stopping()
                ends_s = time.monotonic() + _DRAIN_S
            events = inbox.take(_TURN_S if ends_s is None else 0.0)
            self._beat_s = now_s = time.monotonic()
            self._manager.alive(now_s)
            for event in events:
                if isinstance(event, Failed):
                    raise event.error
            if events or now_s - ticked_s >= _TICK_S:
                ticked_s = now_s
                if messenger is not None:
                    messenger.tend()
                if not writer.handle(events):
                    self._stopping.wait(_AFTER_FAILURE_S)
            if ends_s is None:
                upkeep.turn(self._clock_ms())
            elif not events or now_s > ends_s:
                return


def serve(options: Options) -> None:
    """Run the service until SIGTERM or SIGINT."""
    service = Service(options)

    def told(_signal: int, _frame: FrameType | None) -> None:
        service.stop()

    kept: dict[signal.Signals, Any] = {
        which: signal.signal(which, told) for which in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        service.run()
    finally:
        for which, handler in kept.items():
            signal.signal(which, handler)
