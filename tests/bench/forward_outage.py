"""A database that refuses, is busy, and is away for ten minutes: every good point arrives, once.

The real forwarder, in a process of its own, from a ledger that goes on growing, into InfluxDB 1.x and into
victoria-metrics at the same time. One record is refused whenever it comes.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import msgspec
from tests.bench.backlog import FOUR, MINIMUM_TOTALS, records
from tests.bench.grounds import end, free_port, now_ms, say, wait
from tests.forward.conftest import Server

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.forward.progress import FILE as PROGRESS
from wheelpit.forward.progress import Progress
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.database import BUCKET, TOKEN, URL
from wheelpit.store.ledger import FILE, Ledger

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SITE: Final = "sallow-ghyll"
_JOURNAL: Final = "0123456789abcdef"
_BEFORE: Final = 500  # records before anything happens
_MOST_RECORDS: Final = 5000
_OTHER_TOKEN: Final = "another"  # noqa: S105 - what is refused
_PATIENCE_S: Final = 400.0  # beyond the longest wait of the forwarder


@dataclass(frozen=True, slots=True)
class Course:
    """How long each trouble lasts [s], and how often a record is booked meanwhile."""

    refused_s: float = 60.0
    busy_s: float = 60.0
    away_s: float = 600.0
    every_s: float = 10.0


def influx_config(folder: Path, port: int) -> Path:
    """Write the configuration of an InfluxDB 1.x that keeps its files in a folder."""
    config = folder / "influxdb.conf"
    config.write_text(
        f'reporting-disabled = true\nbind-address = "127.0.0.1:{free_port()}"\n[meta]\ndir = "{folder}/i/meta"\n'
        f'[data]\ndir = "{folder}/i/data"\nwal-dir = "{folder}/i/wal"\ncache-snapshot-write-cold-duration = "1s"\n'
        'compact-full-write-cold-duration = "2s"\n'
        f'[monitor]\nstore-enabled = false\n[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n'
    )
    return config


def influx(program: str, folder: Path) -> Server:
    """Start InfluxDB 1.x with the database `site`."""
    port = free_port()
    server = Server(
        [program, "-config", str(influx_config(folder, port))], port, folder, "/ping", rewrite=True
    )
    server.query('CREATE DATABASE "site"')
    return server


def victoria(program: str, folder: Path) -> Server:
    """Start victoria-metrics; a point that comes twice counts once in it, as in InfluxDB."""
    port = free_port()
    command = [
        program, f"-storageDataPath={folder}/data", f"-httpListenAddr=127.0.0.1:{port}", "-retentionPeriod=100y",
        "-memory.allowedBytes=64MB", "-dedup.minScrapeInterval=1ms",
    ]  # fmt: skip
    return Server(command, port, folder, "/health", rewrite=False)


def seqs_in_influx(server: Server) -> Counter[int]:
    """Return the numbers of the records that are there, and how often each is."""
    found = server.query('SELECT "seq" FROM "wheelpit_record"')
    return Counter(int(seq) for _, seq in found[0]["values"]) if found else Counter()


def seqs_in_victoria(server: Server) -> Counter[int]:
    """Return the same of victoria-metrics."""
    server.get("/internal/force_flush")
    _, body = server.get('/api/v1/export?match={__name__="wheelpit_record_seq"}&start=0')
    return Counter(int(seq) for line in body.splitlines() for seq in json.loads(line)["values"])


@dataclass
class Side:
    """One database with its own ledger and its own forwarder."""

    name: str
    folder: Path
    server: Server
    seqs: Callable[[Server], Counter[int]]
    booked: int = 0
    bad: int = 0
    child: subprocess.Popen[bytes] | None = None
    recovered_s: float = 0.0
    made: list[dict[str, Any]] = field(default_factory=list)

    def start(self, stack: ExitStack) -> None:
        """Start the forwarder."""
        told = {URL: self.server.where.url, BUCKET: "site", TOKEN: self.server.where.token}
        log = stack.enter_context((self.folder / "forward.log").open("wb"))
        self.child = subprocess.Popen(
            [sys.executable, "-m", "wheelpit", "forward", "--state", str(self.folder)],
            env={**os.environ, **told},
            stdout=log,
            stderr=log,
        )
        stack.callback(self.child.wait)
        stack.callback(self.child.kill)

    def book(self, count: int) -> None:
        """Book the next records, as the service does."""
        some = self.made[self.booked : self.booked + count]
        after = SEQ_PER_BOOT + self.booked if self.booked else 0
        with Ledger(self.folder / FILE, now_ms()) as ledger, ledger.transaction() as db:
            keeper = Bookkeeper(db, SITE, "Europe/London")
            sent = Sent(_JOURNAL, after, [msgspec.convert(each, Record) for each in some])
            keeper.records("wheel", sent, "t", now_ms())
            keeper.flush()
        self.booked += len(some)

    def book_a_bad_one(self) -> None:
        """Book a record that the database will refuse."""
        self.book(1)
        self.bad = SEQ_PER_BOOT + self.booked
        self.server.gate.bad = f"seq={self.bad}.0"

    def wanted(self) -> set[int]:
        """Return the numbers that have to be there."""
        return {SEQ_PER_BOOT + n for n in range(1, self.booked + 1)} - {self.bad}

    def arrived(self) -> bool:
        """Return whether all that is good is there."""
        return not self.wanted() - self.seqs(self.server).keys()

    def end(self) -> None:
        """End the forwarder once it has set the bad record aside."""
        assert self.child is not None
        wait(lambda: self.found()["points_refused"], f"{self.name}: the bad record", _PATIENCE_S)
        assert end(self.child) == 0, (self.folder / "forward.log").read_text()[-2000:]

    def found(self) -> dict[str, float]:
        """Return what came out."""
        there = self.seqs(self.server)
        with Progress(self.folder / PROGRESS) as progress:
            refused = progress.refused()
        return {
            "points_missing": len(self.wanted() - there.keys()),
            "points_double": sum(count - 1 for count in there.values()),
            "points_not_wanted": len(there.keys() - self.wanted()),
            "points_refused": len(refused),
            "records": self.booked,
            "recovered_s": round(self.recovered_s, 1),
            "log_lines": len((self.folder / "forward.log").read_text().splitlines()),
        }


class Outage:
    """Leads the course with some databases at once."""

    def __init__(self, sides: list[Side], course: Course) -> None:
        self._sides = sides
        self._course = course
        self._begun = time.monotonic()

    def run(self) -> None:
        """Lead it."""
        course = self._course
        gates = [side.server.gate for side in self._sides]
        self._arrive("the start")
        for gate in gates:
            gate.token = _OTHER_TOKEN
        self._pass_time(course.refused_s, "the token is refused")
        for gate, side in zip(gates, self._sides, strict=True):
            gate.token = side.server.where.token
        self._arrive("a token refused")
        for gate in gates:
            gate.answers = [503] * 10_000
        self._pass_time(course.busy_s, "busy")
        for gate in gates:
            gate.answers = []
        self._arrive("503")
        self._away()
        self._arrive(f"{course.away_s:.0f} s without a server")
        for side in self._sides:
            side.end()

    def _away(self) -> None:
        for side in self._sides:
            side.server.gate.close()
            # Killed, victoria-metrics loses seconds of what it has acknowledged; no forwarder can know of that.
            side.server.stop(signal.SIGTERM)
        self._pass_time(self._course.away_s / 2, "away")
        for side in self._sides:
            side.book_a_bad_one()
        self._pass_time(self._course.away_s / 2, "away")
        for side in self._sides:
            side.server.start()
            side.server.gate.listen()

    def _pass_time(self, seconds: float, what: str) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            say(f"  {what}: {left:.0f} s more, {time.monotonic() - self._begun:.0f} s in all   ", end="\r")
            for side in self._sides:
                side.book(1)
            time.sleep(min(self._course.every_s, left))

    def _arrive(self, what: str) -> None:
        since = time.monotonic()
        for side in self._sides:
            wait(side.arrived, f"{side.name} after {what}", _PATIENCE_S)
            side.recovered_s = max(side.recovered_s, time.monotonic() - since)
        say(f"  all there after {what}, {time.monotonic() - self._begun:.0f} s            ")


def outage(folder: Path, programs: dict[str, str], course: Course) -> dict[str, dict[str, float]]:
    """Lead the course and return what came out, by database.

    Args:
        folder: where the files go.
        programs: of "influxdb", "victoria" those that are installed, with their paths.
        course: how long each trouble lasts.

    """
    kinds = {"influxdb": (influx, seqs_in_influx), "victoria": (victoria, seqs_in_victoria)}
    with ExitStack() as stack:
        sides = []
        for name, program in programs.items():
            home = folder / name
            home.mkdir()
            start, seqs = kinds[name]
            side = Side(name, home, stack.enter_context(start(program, home)), seqs)
            side.made = records(_MOST_RECORDS, FOUR, MINIMUM_TOTALS, now_ms() - 60_000)
            side.book(_BEFORE)
            side.start(stack)
            sides.append(side)
        Outage(sides, course).run()
        return {side.name: side.found() for side in sides}
