"""What of the ledger waits to be forwarded, looked up from outside while a forwarder may be running."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.forward.progress import Progress
    from wheelpit.store.reader import LedgerReader

MOST_COUNTED: Final = 100_000  # records of one store: counting millions would take long and tell no more


@dataclass(frozen=True, slots=True)
class Waiting:
    """Records that were not sent yet.

    Attributes:
        records: how many; of each store at most `MOST_COUNTED` are counted.
        oldest_ms: when the oldest of them ended that has a date [Unix ms]; None if none has.
        of_this_ledger: the account is of the ledger that lies there; of another one nothing is counted.

    """

    records: int = 0
    oldest_ms: int | None = None
    of_this_ledger: bool = True


def waiting(reader: LedgerReader, progress: Progress) -> Waiting:
    """Return what waits.

    Raises:
        WheelpitError: the ledger cannot be read; see `LedgerReader`.

    """
    about, cursors = progress.about(), progress.cursors()
    with reader.open() as db:
        (ledger,) = db.execute("SELECT ledger FROM ledger").fetchone()
        if about is not None and about[0] != ledger:
            return Waiting(of_this_ledger=False)
        records = 0
        oldest: list[int] = []
        for journal_id, journal in db.execute("SELECT journal_id, journal FROM journal").fetchall():
            after = cursors.get(journal, (0, 0))[0]
            (count,) = db.execute(
                "SELECT count(*) FROM (SELECT 1 FROM record WHERE journal_id = ? AND seq > ? LIMIT ?)",
                (journal_id, after, MOST_COUNTED),
            ).fetchone()
            records += count
            # In the order of their numbers, which but for a clock that was set is that of their ends.
            oldest += [
                end_ms
                for (end_ms,) in db.execute(
                    "SELECT end_ms FROM record WHERE journal_id = ? AND seq > ? AND end_ms IS NOT NULL "
                    "ORDER BY seq LIMIT 1",
                    (journal_id, after),
                )
            ]
    return Waiting(records, min(oldest, default=None))
