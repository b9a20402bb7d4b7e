"""A past for a ledger: records of the fast twin, booked by the service's own code.

Whoever looks at a board that has run for a minute sees nothing of days and seasons; so the demo, and tests, may begin
with a ledger that has a past. The service must not run on the ledger meanwhile: it is its only writer.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final, Self

from wheelpit.errors import WheelpitError
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger
from wheelpit.twin.fast.messages import birth_of, journal_of, records_for_ledger
from wheelpit.twin.fast.years import Year

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.plant import Plant
    from wheelpit.twin.fast.recorder import Recorder
    from wheelpit.twin.fast.records import RecordColumns

_TOPIC: Final = "made by the fast twin"


class PastError(WheelpitError):
    """A past that does not fit into the ledger."""


class Past:
    """Books records of one node into a ledger.

    Args:
        path: The ledger's file; it is made when it does not exist.
        plant: The plant.
        node: The node that made them.
        recorder: What made them.
        seed: The seed they were made with: it names the node's store.
    """

    def __init__(self, path: Path, plant: Plant, node: str, recorder: Recorder, seed: int) -> None:
        self._ledger = Ledger(path, 0)
        with self._ledger.transaction() as db:
            self._keeper = Bookkeeper(db, plant.site.id, plant.site.time_zone)
        self._node = node
        self._recorder = recorder
        self._journal = journal_of(plant.site.id, node, seed)
        self._after = 0
        self.records = 0

    def add(self, columns: RecordColumns) -> None:
        """Book so many more, in order.

        Raises:
            PastError: The ledger has this node's records of that seed already, or would not take them.
        """
        for records in records_for_ledger(columns):
            now_ms = records[-1].end_ms or 0
            with self._ledger.transaction():
                taken = self._keeper.records(
                    self._node, Sent(self._journal, self._after, records), _TOPIC, now_ms
                )
                self._keeper.flush()
            if len(taken.booked) != len(records):
                msg = (
                    f"{self._ledger.path} took {len(taken.booked)} of {len(records)} records of node {self._node}: it has "
                    "records of that seed already; give another file, or another seed"
                )
                raise PastError(msg)
            self._after = records[-1].seq
            self.records += len(records)
        with self._ledger.transaction():
            self._keeper.birth(
                self._node, birth_of(self._recorder, self._journal, columns), int(columns.end_ms[-1])
            )
            self._keeper.flush()

    def close(self) -> None:
        """Close the ledger."""
        self._ledger.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def give_past(path: Path, plant: Plant, days: int, today: dt.date) -> int:
    """Book the days of a usual year before `today` (UTC) into a ledger, and return how many records they were.

    Raises:
        PastError: The ledger has them already, or would not take them.
    """
    run = Year(plant, kind="usual", days=days, first_day=today - dt.timedelta(days=days))
    with Past(path, plant, run.node, run.recorder, 1) as past:
        for columns in run.records():
            past.add(columns)
        return past.records
