"""Who is let in: nodes that are known, not faster than any node of ours can be, and not under ever new names.

Nothing is lost at this gate. A message that is turned away gets no receipt, so a node of ours keeps its records
and sends them again; a stranger's stay with the stranger until its node is named in the plant's description.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

Verdict = Literal["welcome", "stranger", "too fast"]

# A node that drains a backlog waits for receipts, so it cannot come near this; one that floods does.
RECORDS_PER_S: Final = 2000.0
_RECORDS_AT_ONCE: Final = 4000.0
# Everything else comes once a second at most, and a little more around a reconnect.
OTHERS_PER_S: Final = 20.0
_OTHERS_AT_ONCE: Final = 200.0
# A store is made anew by hand, or when flash was wiped. Each one leaves a row in the ledger for ever.
NEW_STORES_A_DAY: Final = 12
_DAY_S: Final = 86_400.0
_MOST_DIGITS: Final = 32
# Nodes whose pace is remembered: a name costs a stranger nothing.
_MOST_PACES: Final = 1000


def node_and_kind(topic: str) -> tuple[str, str]:
    """Return the last two parts of a topic, which are the node and the kind where the topic is one of ours."""
    parts = topic.rsplit("/", 2)
    return (parts[-2], parts[-1]) if len(parts) > 1 else ("", topic)


class Dropped:
    """How many messages a broker threw away, from the count that it gives since its own start."""

    def __init__(self) -> None:
        self._base: tuple[int, int] | None = None  # connection, count
        self._new: int | None = None

    def heard(self, payload: bytes, generation: int) -> None:
        """Take the broker's count; one that is no number says nothing."""
        text = payload[:_MOST_DIGITS].decode("ascii", "replace").strip()
        if not text.isdigit():
            return
        total = int(text)
        # The first count of a connection is where counting begins, unless it goes on from the last one's.
        before = total if self._base is None or total < self._base[1] else self._base[1]
        self._base = (generation, total)
        self._new = (self._new or 0) + total - before

    def taken(self) -> int | None:
        """Return what came since the last look; None if the broker said nothing."""
        new, self._new = self._new, None
        return new


@dataclass(slots=True)
class _Bucket:
    """Fills with time and empties with messages (a token bucket, as in RFC 2697)."""

    per_s: float
    most: float
    level: float
    at_s: float

    def take(self, now_s: float) -> bool:
        self.level = min(self.most, self.level + max(0.0, now_s - self.at_s) * self.per_s)
        self.at_s = now_s
        if self.level < 1.0:
            return False
        self.level -= 1.0
        return True


@dataclass(slots=True)
class _Pace:
    records: _Bucket
    others: _Bucket
    stores: list[float] = field(default_factory=list)  # when a new store was let in


class Gate:
    """Judges who may come in.

    Args:
        known: the nodes that are let in; None lets in all.
        clock_s: time that only rises [s].

    """

    def __init__(self, known: Iterable[str] | None, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._known = None if known is None else frozenset(known)
        self._clock_s = clock_s
        self._paces: OrderedDict[str, _Pace] = OrderedDict()

    def knows(self, node: str) -> bool:
        """Return whether a node is known."""
        return self._known is None or node in self._known

    def judge(self, node: str, kind: str) -> Verdict:
        """Judge a message of a node, before it is decoded; `kind` is the last part of its topic."""
        if not self.knows(node):
            return "stranger"
        pace = self._pace(node)
        bucket = pace.records if kind == "record" else pace.others
        return "welcome" if bucket.take(self._clock_s()) else "too fast"

    def may_begin_store(self, node: str) -> bool:
        """Let a node begin a store that the ledger does not know, if it does not do so all the time."""
        pace, now_s = self._pace(node), self._clock_s()
        pace.stores = [at_s for at_s in pace.stores if now_s - at_s < _DAY_S]
        if len(pace.stores) >= NEW_STORES_A_DAY:
            return False
        pace.stores.append(now_s)
        return True

    def _pace(self, node: str) -> _Pace:
        found = self._paces.get(node)
        if found is None:
            now_s = self._clock_s()
            found = self._paces[node] = _Pace(
                _Bucket(RECORDS_PER_S, _RECORDS_AT_ONCE, _RECORDS_AT_ONCE, now_s),
                _Bucket(OTHERS_PER_S, _OTHERS_AT_ONCE, _OTHERS_AT_ONCE, now_s),
            )
            if len(self._paces) > _MOST_PACES:
                self._paces.popitem(last=False)
        else:
            self._paces.move_to_end(node)
        return found
