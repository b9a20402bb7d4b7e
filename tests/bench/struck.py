"""Runs `wheelpit` and ends it with SIGKILL at a named point; the product itself knows nothing of it.

    WHEELPIT_STRIKE="before receipt:7" python tests/bench/struck.py serve ...

strikes at the seventh time that point is reached; the process then leaves a line in the file WHEELPIT_STRUCK first.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import threading
from pathlib import Path
from typing import Any, Final

from paho.mqtt.client import Client

from wheelpit.cli import main

POINTS: Final = ("before commit", "after commit", "before ack", "before receipt", "in checkpoint")
_FEW_PAGES: Final = 40  # so that the log is folded back often enough to be struck in it


class Strike:
    """Counts how often a point was reached, and strikes."""

    def __init__(self, told: str, mark: Path) -> None:
        self.point, count = told.rsplit(":", 1)
        self._left = int(count)
        self._mark = mark

    def reached(self, point: str) -> None:
        """Note that a point is reached; this may be the end."""
        if point == self.point:
            self._left -= 1
            if self._left <= 0:
                self.now()

    def now(self) -> None:
        """Strike."""
        handle = os.open(self._mark, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        os.write(handle, self.point.encode() + b"\n")
        os.kill(os.getpid(), signal.SIGKILL)


def arm(strike: Strike) -> None:
    """Put the points where the writer commits, acknowledges and answers."""

    class Struck(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
            if sql.startswith("PRAGMA wal_autocheckpoint") and strike.point == "in checkpoint":
                sql = f"PRAGMA wal_autocheckpoint = {_FEW_PAGES}"
            if sql == "COMMIT":
                strike.reached("before commit")
            found = super().execute(sql, *values)
            if sql == "COMMIT":
                strike.reached("after commit")
            return found

    connect = sqlite3.connect

    def connected(file: Any, *rest: Any, **how: Any) -> sqlite3.Connection:
        if str(file).endswith("ledger.db"):
            how["factory"] = Struck
            if strike.point == "in checkpoint":
                threading.Thread(target=_in_checkpoint, args=(strike, Path(file)), daemon=True).start()
        found: sqlite3.Connection = connect(file, *rest, **how)
        return found

    sqlite3.connect = connected  # type: ignore[assignment]
    _arm_the_client(strike)


def _arm_the_client(strike: Strike) -> None:
    ack, publish = Client.ack, Client.publish

    def acked(self: Client, *values: Any) -> Any:
        strike.reached("before ack")
        return ack(self, *values)

    def published(self: Client, topic: str, *values: Any) -> Any:
        if topic.endswith("/receipt"):
            strike.reached("before receipt")
        return publish(self, topic, *values)

    Client.ack = acked  # type: ignore[method-assign,assignment]
    Client.publish = published  # type: ignore[method-assign,assignment]


def _in_checkpoint(strike: Strike, path: Path) -> None:
    """The ledger's own file is written by a checkpoint and by nothing else: its first sign is the moment."""
    while not path.with_name("ledger.db-wal").is_file():
        os.sched_yield()
    seen = path.stat().st_mtime_ns
    while True:
        now = path.stat().st_mtime_ns
        if now != seen:
            seen = now
            strike.reached("in checkpoint")
        os.sched_yield()


if __name__ == "__main__":
    told = os.environ.get("WHEELPIT_STRIKE")
    if told is not None:
        arm(Strike(told, Path(os.environ["WHEELPIT_STRUCK"])))
    main(prog_name="wheelpit")
