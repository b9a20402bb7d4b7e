"""The service's nightly work on its ledger, in pieces small enough that nothing that comes in has to wait."""

from __future__ import annotations

import logging
import sqlite3
import threading
from typing import TYPE_CHECKING, Final

from wheelpit.store.tables import count
from wheelpit.store.upkeep import faults, fold_log, prune

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.store.days import LocalDays
    from wheelpit.store.ledger import Ledger

_AFTER_START_MS: Final = 600_000
_NIGHT_MS: Final = 3 * 3_600_000
_PIECE: Final = 500

_log = logging.getLogger(__name__)


class Upkeep:
    """Prunes, folds the log back and checks the structure: soon after the start, then at 3 in the night.

    Args:
        ledger: the ledger, in its writer's thread.
        days: the site's local days.
        keep_days: how many days of full records stay; None keeps them for ever.
        now_ms: the time of day.

    """

    def __init__(self, ledger: Ledger, days: LocalDays, keep_days: int | None, now_ms: int) -> None:
        self._ledger = ledger
        self._days = days
        self._keep_days = keep_days
        self._next_ms = now_ms + _AFTER_START_MS
        self._begun_ms = now_ms
        self._work: Iterator[None] | None = None

    def turn(self, now_ms: int) -> None:
        """Do a piece of the work if some is due; called between batches, with no transaction open."""
        if self._work is None:
            # A clock that was set back must not put the next night off for years.
            if self._begun_ms <= now_ms < self._next_ms:
                return
            self._begun_ms, self._next_ms = now_ms, self._after(now_ms)
            self._work = self._pieces()
        try:
            next(self._work)
        except StopIteration:
            self._work = None
        except sqlite3.OperationalError as error:
            # A full disk, a lock: what is booked comes first, and says so itself if it fails as well.
            _log.warning("the ledger's upkeep is put off to the next night: %s", error)
            self._work = None

    def _after(self, now_ms: int) -> int:
        """Return 3 hours after the end of the local day that it is in 12 hours."""
        day = self._days.day_ending(now_ms + 12 * 3_600_000)
        return self._days.bounds(day)[1] + _NIGHT_MS

    def _pieces(self) -> Iterator[None]:
        if self._keep_days is not None:
            yield from self._prune(self._keep_days)
        fold_log(self._ledger.connection)
        yield
        yield from self._check()

    def _prune(self, keep_days: int) -> Iterator[None]:
        total = 0
        while True:
            with self._ledger.transaction() as db:
                done = prune(db, keep_days, _PIECE)
            total += done
            if done < _PIECE:
                break
            yield
        if total:
            _log.info("%d full records older than %d days went; their roll-ups stay", total, keep_days)

    def _check(self) -> Iterator[None]:
        found: list[str] = []
        # Beside the writer, on a connection of its own: a large ledger takes its time.
        checking = threading.Thread(
            target=lambda: found.extend(faults(self._ledger.path)), name="check", daemon=True
        )
        checking.start()
        while checking.is_alive():
            yield
        if found:
            _log.error(
                "%s is damaged: %s. End the service and put a backup in its place: `wheelpit restore COPY`",
                self._ledger.path,
                "; ".join(found),
            )
            with self._ledger.transaction() as db:
                count(db, "failed_checks")
