"""A ledger in a folder of the test's own, and records to put into it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.messages import Birth, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import BadRecord, Sent
from wheelpit.store.bookkeeper import Bookkeeper, Taken
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

NOON_MS = 1_780_311_600_000  # 2026-06-01 11:00 UTC, noon in Europe/London
JOURNAL = "0123456789abcdef"


class Desk:
    """A ledger with its bookkeeper: each call is one transaction."""

    def __init__(self, folder: Path, time_zone: str = "Europe/London") -> None:
        self.path = folder / FILE
        self.time_zone = time_zone
        self.now_ms = NOON_MS
        self.said: list[str] = []
        self.reader = LedgerReader(self.path)
        self.open()

    def open(self) -> None:
        self.ledger = Ledger(self.path, self.now_ms)
        with self.ledger.transaction() as db:
            self.keeper = Bookkeeper(db, "site", self.time_zone, self.said.append)

    def reopen(self) -> None:
        self.ledger.close()
        self.open()

    def take(
        self,
        *records: Record | BadRecord,
        after: int = 0,
        node: str = "wheel",
        journal: str = JOURNAL,
    ) -> Taken:
        with self.ledger.transaction():
            taken = self.keeper.records(node, Sent(journal, after, records), "a/topic", self.now_ms)
            self.keeper.flush()
        return taken

    def run(self, work: Callable[[Bookkeeper], Any]) -> Any:
        with self.ledger.transaction():
            result = work(self.keeper)
            self.keeper.flush()
        return result

    def birth(self, node: str = "wheel", **changed: Any) -> int:
        told: dict[str, Any] = {
            "journal": JOURNAL,
            "boot": 1,
            "chip": "aa",
            "oldest": 0,
            "newest": 0,
            "firmware": "1",
            "interpreter": "1",
            "board": "b",
            "reset": "power",
            "record_s": 10,
            "channels": {},
            "totals": [],
            "capacity": 100,
            "held": 0,
        }
        birth = Birth(**(told | changed))
        return int(self.run(lambda keeper: keeper.birth(node, birth, self.now_ms)))

    def one(self, statement: str, *values: Any) -> Any:
        return self.ledger.connection.execute(statement, values).fetchone()[0]


def make_record(n: int, boot: int = 1, *, mwh: int | None = None, **changed: Any) -> Record:
    """Record `n` of a boot that began at noon of boot 1, an hour later for each further boot: 10 s, 100 mWh each."""
    up_ms = n * 10_000
    told: dict[str, Any] = {
        "seq": boot * SEQ_PER_BOOT + n,
        "first": boot * SEQ_PER_BOOT + n,
        "up_ms": up_ms,
        "dur_ms": 10_000,
        "span_ms": 10_000,
        "end_ms": NOON_MS + (boot - 1) * 3_600_000 + up_ms,
        "clock": "host",
        "state": "turning",
        "mean": {"battery_v": 12.5},
        "min": {"battery_v": 12.25},
        "max": {"battery_v": 12.75},
        "total": {"charge_mwh": n * 100 if mwh is None else mwh, "charge_valid_ms": up_ms},
    }
    return Record(**(told | changed))


@pytest.fixture
def record() -> Callable[..., Record]:
    return make_record


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.ledger.close()


@pytest.fixture
def make_desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    made: list[Desk] = []

    def make(time_zone: str = "Europe/London") -> Desk:
        made.append(Desk(tmp_path / str(len(made)), time_zone))
        return made[-1]

    yield make
    for desk in made:
        desk.ledger.close()


@pytest.fixture
def noon_ms() -> int:
    return NOON_MS
