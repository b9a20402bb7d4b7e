"""The messenger: a process of its own that tells people what the outbox of the ledger holds.

`python -m wheelpit.watch.notify --state DIR --targets FILE`. It reads the ledger and writes only `sent.db`, so
it may die, hang on a dead line or be killed at any moment without touching the service. Each message goes to
each target once; only where the program is killed between the handing over and the note of it can one arrive
twice, and the second then says so: an alarm that is lost would be worse.
"""

from __future__ import annotations

import argparse
import logging
import signal
import sqlite3
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError
from wheelpit.places import state_folder
from wheelpit.store.alarms import read_messages
from wheelpit.store.ledger import FILE as LEDGER
from wheelpit.store.reader import LedgerReader
from wheelpit.watch.sent import FILE as SENT
from wheelpit.watch.sent import SentStore
from wheelpit.watch.targets import read_targets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.watch.sent import Owed
    from wheelpit.watch.targets import Target

_log = logging.getLogger("wheelpit.messenger")

_POLL_S: Final = 2.0
_FIRST_WAIT_MS: Final = 10_000
_USUAL_LONGEST_MS: Final = 15 * 60_000
_LONGEST_MS: Final = 24 * 3_600_000
AGAIN: Final = "(Sent again: the first may have arrived.)"


def wait_ms(failures: int, age_ms: int) -> int:
    """Return how long a target rests after failures in a row [ms]: doubling from 10 s, for ever.

    At most 15 minutes while the message is younger than a day, so that an alarm is not late when the line is
    back; at most a day from then on.
    """
    longest = _USUAL_LONGEST_MS if age_ms < _LONGEST_MS else _LONGEST_MS
    return min(_FIRST_WAIT_MS << min(max(failures - 1, 0), 20), longest)


class Messenger:
    """Copies messages from the outbox and hands them to the targets.

    Args:
        ledger: The ledger's file; it need not exist yet.
        sent: The account of what was sent.
        targets: Who is told.
        now_ms: The time at the start [Unix ms].
        stop: When it is set, no further message is begun.
    """

    def __init__(
        self,
        ledger: Path,
        sent: SentStore,
        targets: Sequence[Target],
        now_ms: int,
        stop: threading.Event | None = None,
    ) -> None:
        self._ledger = ledger
        self._sent = sent
        self._targets = targets
        self._stop = threading.Event() if stop is None else stop
        self._failures = dict.fromkeys((target.name for target in targets), 0)
        self._failed_ms: dict[str, int] = {}
        self._trouble = ""
        sent.know((target.name for target in targets), now_ms)

    def round(self, now_ms: int) -> None:
        """Copy what is new, and try what is due."""
        self.collect()
        for target in self._targets:
            self._serve(target, now_ms)

    def collect(self) -> None:
        """Copy new messages from the outbox; a ledger that is missing, busy or just being made comes later."""
        copied = self._sent.copied
        try:
            with LedgerReader(self._ledger).open() as ledger:
                newest = ledger.execute("SELECT coalesce(max(message), 0) FROM outbox").fetchone()[0]
                # An older ledger was put back: its numbers begin again, the names of messages do not.
                messages = read_messages(ledger, 0 if newest < copied else copied)
        except (WheelpitError, sqlite3.OperationalError) as error:
            if str(error) != self._trouble:
                _log.warning("no messages can be read: %s", error)
            self._trouble = str(error)
            return
        self._trouble = ""
        if newest != copied:
            self._sent.copy(messages, newest)

    def _serve(self, target: Target, now_ms: int) -> None:
        for owed in self._sent.owed(target.name):
            # A message never tried is tried at once; the others wait until the target has rested.
            if owed.attempts and self._resting(target, owed, now_ms):
                continue
            if self._stop.is_set() or not self._hand_over(target, owed, now_ms):
                return

    def _resting(self, target: Target, owed: Owed, now_ms: int) -> bool:
        failed_ms = self._failed_ms.get(target.name)
        if failed_ms is None:
            return False
        rest_ms = wait_ms(self._failures[target.name], now_ms - owed.message.made_ms)
        # A failure that lies in the future is the work of a clock that was set back.
        return 0 <= now_ms - failed_ms < rest_ms

    def _hand_over(self, target: Target, owed: Owed, now_ms: int) -> bool:
        message = owed.message
        body = f"{message.body}\n{AGAIN}" if owed.doubtful else message.body
        self._sent.trying(message.key, target.name)
        try:
            taken = target.send(message.title, body, message.step, message.priority)
        except Exception as error:  # noqa: BLE001 - whatever one service does, the others are told
            # Only its kind: the text may hold the address.
            _log.warning("target of %s: %s", target.label, type(error).__name__)
            taken = False
        if taken:
            self._sent.sent(message.key, target.name, now_ms)
            self._failures[target.name] = 0
            self._failed_ms.pop(target.name, None)
            _log.info("target of %s was told: %s", target.label, message.key)
            return True
        self._sent.failed(message.key, target.name)
        self._failures[target.name] += 1
        self._failed_ms[target.name] = now_ms
        _log.warning(
            "target of %s did not take %s (failure %d in a row); tried again in %d s at most",
            target.label,
            message.key,
            self._failures[target.name],
            wait_ms(self._failures[target.name], now_ms - message.made_ms) // 1_000,
        )
        return False


def try_out(targets: Sequence[Target]) -> bool:
    """Send a test message to every target, print which took it, and return whether all did."""
    told = [
        target.send("Test", "This is how Wheelpit would tell you of an alarm.", "raised", "low")
        for target in targets
    ]
    for target, taken in zip(targets, told, strict=True):
        sys.stdout.write(f"{target.label}: {'taken' if taken else 'NOT taken'}\n")
    return all(told)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _end_with_parent(stop: threading.Event) -> None:
    """End when standard input ends: the service holds its other side, however it dies."""

    def wait() -> None:
        while sys.stdin.buffer.read(1):
            pass
        stop.set()

    threading.Thread(target=wait, daemon=True, name="parent").start()


def _run(state: Path, targets: Sequence[Target], stop: threading.Event) -> None:
    with SentStore(state / SENT) as sent:
        messenger = Messenger(state / LEDGER, sent, targets, _now_ms(), stop)
        _log.info("telling %d target(s) of alarms", len(targets))
        while not stop.is_set():
            messenger.round(_now_ms())
            stop.wait(_POLL_S)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the messenger until it is told to end; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m wheelpit.watch.notify", description=__doc__)
    parser.add_argument("--state", type=Path, help="the site's state folder")
    parser.add_argument("--targets", type=Path, required=True, help="one Apprise address per line")
    parser.add_argument("--check", action="store_true", help="only check the targets file")
    parser.add_argument("--try", dest="trial", action="store_true", help="only send everyone a test message")
    parser.add_argument("--tied", action="store_true", help="end when standard input ends")
    given = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s", stream=sys.stderr)
    try:
        targets = read_targets(given.targets)
        if given.trial:
            return 0 if try_out(targets) else 1
        if given.check:
            return 0
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        if given.tied:
            _end_with_parent(stop)
        _run(state_folder(given.state), targets, stop)
    except WheelpitError as error:
        for line in str(error).splitlines():
            sys.stderr.write(f"wheelpit: {line}\n")
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
