"""What the parts of the crash campaign share: how much is done, what came out, and a backlog that has to arrive."""

from __future__ import annotations

import secrets
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from tests.bench.backlog import FOUR, MINIMUM_TOTALS, birth, messages, records
from tests.bench.grounds import SITE, Grounds, now_ms, say
from tests.bench.wire import FastNode, Fleet

from wheelpit.contract.names import SEQ_PER_BOOT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

REFUSED: Final = "the ledger took nothing"  # as the service says it
_AT_ONCE: Final = 4  # records in a message: many commits
_PATIENCE_S: Final = 900.0


@dataclass(frozen=True)
class Extent:
    """How much is done."""

    serve_kills: int = 100
    broker_kills: int = 20
    node_kills: int = 20
    pause_s: float = 120.0
    starved_s: float = 5.0
    seed: int = 0


SHORT: Final = Extent(serve_kills=6, broker_kills=1, node_kills=1, pause_s=1.0, starved_s=1.0)


@dataclass
class Found:
    """What came out. `lost` and `double` are records; `ahead` counts receipts that the ledger later did not bear out."""

    lost: int = 0
    double: int = 0
    wrong: int = 0
    ahead: int = 0
    records: int = 0
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, other: Found) -> None:
        """Add another part's."""
        self.lost += other.lost
        self.double += other.double
        self.wrong += other.wrong
        self.ahead += other.ahead
        self.records += other.records
        self.counts += other.counts


class Drain:
    """One node's backlog and the site that takes it; `tend` is called again and again meanwhile."""

    def __init__(self, grounds: Grounds, count: int, window: int = 4) -> None:
        self.grounds = grounds
        self.made = records(count, FOUR, MINIMUM_TOTALS, now_ms() - 60_000)
        journal, chip = secrets.token_hex(8), secrets.token_hex(8)
        first, last = self.made[0]["seq"], self.made[-1]["seq"]
        born = birth(journal, chip, first, last, MINIMUM_TOTALS)
        queue = messages(journal, self.made, _AT_ONCE)
        self.node = FastNode(SITE, "wheel", journal, chip, grounds.port, queue, born, window=window)
        self.fleet = Fleet([self.node])

    def run(self, tend: Callable[[], bool], what: str) -> None:
        """Run until every record has its receipt and `tend` says that it is done too."""
        begun = said = time.monotonic()

        def over() -> bool:
            nonlocal said
            done = tend()
            now_s = time.monotonic()
            if now_s - said > 2:
                said = now_s
                share = max(0, self.node.upto - SEQ_PER_BOOT) / len(self.made)
                say(
                    f"  {what}: {100 * share:.0f} % of {len(self.made)} records, {now_s - begun:.0f} s ",
                    end="\r",
                )
            if now_s - begun > _PATIENCE_S:
                msg = f"{what}: not done after {_PATIENCE_S:.0f} s\n{self.grounds.told()[-2000:]}"
                raise TimeoutError(msg)
            return done and self.fleet.done()

        try:
            self.fleet.run(over)
        finally:
            self.fleet.close()
        say(" " * 70, end="\r")

    def follow(self, course: Iterator[None], what: str) -> None:
        """Run until every record has its receipt and a course of events, which goes on at each turn, is at its end."""
        going = True

        def tend() -> bool:
            nonlocal going
            going = going and next(course, self) is None
            return not going

        self.run(tend, what)

    def passed(self, seq_n: int) -> bool:
        """Return whether a record of the boot has its receipt."""
        return self.node.upto >= SEQ_PER_BOOT + seq_n

    def checked(self, ahead: int = 0) -> Found:
        """Compare what is booked with what was measured, record by record."""
        wanted = {record["seq"]: 1000 + n for n, record in enumerate(self.made, 1)}
        rows = self.grounds.reader.records(SITE, 0, 1 << 50)
        booked = Counter(row.seq for row in rows)
        found = Found(records=len(wanted), ahead=self.node.backwards - ahead)
        found.lost = len(wanted.keys() - booked.keys())
        found.double = sum(count - 1 for count in booked.values())
        found.wrong = sum(row.totals["charge_mwh"] != wanted.get(row.seq) for row in rows)
        found.wrong += len(self.grounds.reader.gaps(SITE)) + len(self.grounds.reader.dead_letters())
        last = self.made[-1]["total"]["charge_mwh"]
        found.wrong += sum(row.totals["charge_mwh"] for row in rows) != last
        found.wrong += sum(day.totals["charge_mwh"] for day in self.grounds.reader.days(SITE)) != last
        return found
