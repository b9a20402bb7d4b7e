"""The forwarder's loop: batch after batch, without end, and patience where the database has none."""

from __future__ import annotations

import logging
import random
import sqlite3
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.forward.send import RefusedError, deliver
from wheelpit.store.database import DatabaseError
from wheelpit.store.points import BUCKET, DAY, GAP, RECORD
from wheelpit.store.reader import LedgerMissing, LedgerOlder

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from wheelpit.forward.follow import Follower
    from wheelpit.forward.progress import Progress
    from wheelpit.forward.send import Refusal, Sending
    from wheelpit.store.database import InfluxQL

RECORDS_AT_ONCE: Final = 500
_SAY_AGAIN_S: Final = 600.0
_MOST_ASKED_S: Final = 600.0  # a database that asks for more rest than this does not get it
_WORDS: Final[dict[str, str]] = {
    "unreachable": "cannot be reached",
    "busy": "does not take points just now",
    "login": "refuses the token: it needs the right to write to this bucket",
    "place": "does not take points: look at the bucket's name and whether another program wrote the same fields as integers",
    "size": "refuses a single point for its size: raise the server's limit",
}

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Patience:
    """How long the forwarder waits [s].

    Attributes:
        idle_s: from one look at the ledger to the next when all is sent.
        first_s: at most, after the first failure.
        longest_s: at most, however often it failed; what passes by itself is tried again the sooner.
        for_a_person_s: the same where somebody has to do something about it.

    """

    idle_s: float = 2.0
    first_s: float = 1.0
    longest_s: float = 60.0
    for_a_person_s: float = 300.0

    def longest_wait_s(self, kind: Refusal, failures: int) -> float:
        """Return how long to wait at most after failures in a row [s]: doubling, for ever."""
        longest = self.for_a_person_s if kind in {"login", "place", "size"} else self.longest_s
        return min(self.first_s * (1 << min(failures - 1, 20)), longest)

    def wait_s(self, error: RefusedError, failures: int) -> float:
        """Return how long to wait [s]: a random time, so that several hosts do not all come at once."""
        longest = max(self.longest_wait_s(error.kind, failures), min(error.after_s, _MOST_ASKED_S))
        return random.uniform(max(longest / 2, min(error.after_s, _MOST_ASKED_S)), longest)  # noqa: S311 - only spreads the load


class Forwarder:
    """Sends what the follower finds.

    Args:
        follower: finds it.
        progress: where is noted what was sent.
        sending: takes the points.
        asking: deletes points that a restored ledger no longer has; None where nothing can.
        stop: is set when it is to end.
        clock_ms: the time of day.
        patience: how long it waits, and for what.
        rest: waits for some seconds, or until `stop` is set; `stop.wait` if None.

    """

    def __init__(
        self,
        follower: Follower,
        progress: Progress,
        sending: Sending,
        asking: InfluxQL | None,
        stop: threading.Event,
        *,
        clock_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
        patience: Patience | None = None,
        rest: Callable[[float], object] | None = None,
    ) -> None:
        self._follower = follower
        self._progress = progress
        self._sending = sending
        self._asking = asking
        self._stop = stop
        self._clock_ms = clock_ms
        self._patience = patience or Patience()
        self._rest = rest or stop.wait
        self._failures = 0
        self._said: tuple[str, float] = ("", 0.0)
        self.points = 0
        self.done = False  # nothing was left to send at the last look

    def turn(self) -> bool:
        """Send one batch; return whether there was something to send.

        Raises:
            RefusedError: the database did not take it; nothing was noted as sent.

        """
        why = self._follower.look()
        if why is not None:
            _log.warning("%s; everything the ledger holds is sent anew", why)
        self._clear()
        batch = self._follower.batch(RECORDS_AT_ONCE, self._clock_ms())
        outcome = deliver(self._sending, batch.lines)
        for point, reason in outcome.refused:
            _log.error("a point was refused and is kept aside in forward.db: %s: %s", reason, point[:200])
        if outcome.too_old:
            _log.warning(
                "%d points are older than the bucket keeps; it did not take them all", outcome.too_old
            )
        sent = len(batch.lines) - len(outcome.refused)
        self._progress.move(batch.moves, sent, outcome.refused, outcome.too_old, self._clock_ms())
        self.points += sent
        if self._failures:
            _log.info("the database takes points again")
            self._failures = 0
            self._said = ("", 0.0)
        self.done = not (batch.moves.cursors or batch.moves.paid or batch.moves.walks)
        return not self.done

    def _clear(self) -> None:
        for site, node in self._progress.clearing():
            tags = {"site": site, "node": node}
            try:
                if self._asking is not None:
                    oldest_ms = self._follower.oldest_ms(site, node)
                    if oldest_ms is not None:
                        self._asking.delete(RECORD, tags, oldest_ms)
                    for measurement in (BUCKET, DAY, GAP):
                        self._asking.delete(measurement, tags, None)
            except DatabaseError as error:
                if "does not answer:" in str(error):
                    raise RefusedError("unreachable", str(error)) from error
                _log.error(
                    "the points of node %s of %s that the ledger no longer has cannot be deleted and may stay: %s",
                    node,
                    site,
                    error,
                )
            self._progress.cleared(site, node)

    def run(self, *, once: bool = False) -> None:
        """Go on until told to stop; with `once` until everything the ledger holds now is sent."""
        while not self._stop.is_set():
            try:
                more = self.turn()
            except RefusedError as error:
                self._wait(error)
            except (LedgerMissing, LedgerOlder, sqlite3.OperationalError) as error:
                if once:
                    raise
                self._say("ledger", f"the ledger cannot be read just now: {error}")
                self._rest(self._patience.idle_s)
            else:
                if once and not more:
                    return
                if not more:
                    self._rest(self._patience.idle_s)

    def _wait(self, error: RefusedError) -> None:
        self._failures += 1
        words = _WORDS.get(error.kind, "refuses the points")
        told = f"the database {words} ({error}); nothing is lost, it is tried again without end"
        try:
            self._progress.failed(error.kind, str(error), self._clock_ms())
        except sqlite3.OperationalError as noting:  # a full disk does not end the patience
            told += f"; nor can it be noted in forward.db: {noting}"
        self._say(error.kind, told)
        self._rest(self._patience.wait_s(error, self._failures))

    def _say(self, kind: str, text: str) -> None:
        """Say it when it is new, and every ten minutes."""
        now_s = time.monotonic()
        if self._said[0] != kind or now_s - self._said[1] >= _SAY_AGAIN_S:
            self._said = (kind, now_s)
            _log.warning("%s", text)
