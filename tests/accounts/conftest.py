"""A ledger filled with records of chosen totals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class Books:
    """Records are added one after another; `amounts` are what each adds to the totals."""

    def __init__(self, folder: Path, site: str = "sallow-ghyll") -> None:
        self.folder = folder
        self.site = site
        self.ledger = Ledger(folder / FILE, 0)
        with self.ledger.transaction() as db:
            self.keeper = Bookkeeper(db, site, "Europe/London")
        self.reader = LedgerReader(folder / FILE)
        self.boot = self.n = self.up_ms = self.last = 0
        self.totals: dict[str, int] = {}

    def begin(self) -> None:
        """Start a boot."""
        self.boot += 1
        self.n = self.up_ms = 0
        self.totals = {}

    def add(self, end_ms: int | None, span_ms: int = 600_000, **amounts: int) -> None:
        if self.boot == 0:
            self.begin()
        self.n += 1
        self.up_ms += span_ms
        for name, amount in amounts.items():
            self.totals[name] = self.totals.get(name, 0) + amount
        seq = self.boot * SEQ_PER_BOOT + self.n
        record = Record(
            seq=seq, first=seq, up_ms=self.up_ms, dur_ms=span_ms, span_ms=span_ms, end_ms=end_ms, clock="host",
            state="turning", mean={}, min={}, max={}, total=dict(self.totals),
        )  # fmt: skip
        with self.ledger.transaction():
            taken = self.keeper.records(
                "wheel", Sent("0" * 16, self.last, [record]), "t", (end_ms or 0) + 5_000
            )
            self.keeper.flush()
        assert taken.upto == seq
        self.last = seq


@pytest.fixture
def books(state: Path) -> Iterator[Any]:
    made = Books(state)
    yield made
    made.ledger.close()
