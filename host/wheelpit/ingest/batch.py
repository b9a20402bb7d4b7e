"""What one batch of messages brought beside what was written: answers, and what the watch has to judge."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live, Record
    from wheelpit.ingest.mqtt import Outgoing
    from wheelpit.store.bookkeeper import Dated
    from wheelpit.store.rows import HostSeen


class Watching(Protocol):
    """Who judges what was booked, inside the same transaction."""

    def live(self, node: str, live: Live, now_ms: int) -> None:
        """Take a live message."""

    def record(self, node: str, record: Record, start_ms: int, end_ms: int, now_ms: int) -> None:
        """Take a booked record that has a date."""

    def status(self, node: str, online: bool, now_ms: int) -> None:  # noqa: FBT001 - the watch's own signature
        """Take a node's status."""

    def host(self, seen: HostSeen, now_ms: int) -> None:
        """Take what the host sees of itself, about once a second."""

    def tick(self, now_ms: int) -> None:
        """Let time pass."""

    def reload(self) -> None:
        """Begin again from the ledger, after a transaction that was rolled back."""


Judgement = Callable[[Watching, int], None]


def of_record(node: str, dated: Dated) -> Judgement:
    """Return what the watch is to judge of a booked record."""
    return lambda watch, now_ms: watch.record(node, dated.record, dated.start_ms, dated.end_ms, now_ms)


class Batch:
    """What one batch brought."""

    def __init__(self) -> None:
        self.acks: list[tuple[int, int]] = []
        self.answers: list[Outgoing] = []
        self.judged: list[Judgement] = []
        self.newest: dict[str, tuple[int, bytes]] = {}
        self.strangers: Counter[str] = Counter()
        self.too_fast: Counter[str] = Counter()
        # Per store the place in `answers` of its last receipt, where that one went further than the one before it.
        self._moving: dict[str, int] = {}

    def answer(self, journal: str, receipt: Outgoing, *, moved: bool) -> None:
        """Answer a message with a receipt; of several in a row that each go further the last one is enough.

        One that goes no further is always sent: the node counts those, and begins again after the second.
        """
        place = self._moving.pop(journal, None)
        if not moved or place is None:
            place = len(self.answers)
            self.answers.append(receipt)
        else:
            self.answers[place] = receipt
        if moved:
            self._moving[journal] = place
