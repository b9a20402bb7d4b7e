"""Writes a ledger record by record, as the service does, and takes the points like a database."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.forward.send import RefusedError
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

SITE = "sallow-ghyll"
NOON_MS = 1_780_311_600_000  # 2026-06-01 11:00 UTC
JOURNAL = "0123456789abcdef"


def a_record(n: int, boot: int = 1, **changed: Any) -> Record:
    seq, up_ms = boot * SEQ_PER_BOOT + n, n * 10_000
    told: dict[str, Any] = {
        "seq": seq, "first": seq, "up_ms": up_ms, "dur_ms": 10_000, "span_ms": 10_000,
        "end_ms": NOON_MS + (boot - 1) * 3_600_000 + up_ms, "clock": "host", "state": "turning",
        "mean": {"battery_v": 12.5}, "min": {"battery_v": 12.25}, "max": {"battery_v": 12.75},
        "total": {"charge_mwh": n * 100 + n * n, "charge_valid_ms": up_ms},
    }  # fmt: skip
    return Record(**(told | changed))


class Pen:
    """Writes a ledger as the service does."""

    def __init__(self, folder: Path, time_zone: str = "Europe/London", site: str = SITE) -> None:
        self.folder, self.time_zone, self.site = folder, time_zone, site

    def book(self, *records: Record, after: int = 0, node: str = "wheel", journal: str = JOURNAL) -> int:
        with Ledger(self.folder / FILE, 0) as ledger, ledger.transaction() as db:
            keeper = Bookkeeper(db, self.site, self.time_zone)
            taken = keeper.records(node, Sent(journal, after, records), "t", NOON_MS + 50_000_000)
            keeper.flush()
        return taken.upto


class Memory:
    """A database in memory that refuses what it is told to."""

    def __init__(self) -> None:
        self.points: dict[str, str] = {}
        self.bad: set[str] = set()
        self.down: list[RefusedError] = []
        self.requests = 0

    def send(self, lines: Sequence[str]) -> None:
        self.requests += 1
        if self.down:
            raise self.down.pop(0)
        if any(word in line for line in lines for word in self.bad):
            raise RefusedError("lines", "status 400: a bad line")
        for line in lines:
            key, fields, at = line.rsplit(" ", 2)
            self.points[f"{key} {at}"] = fields
