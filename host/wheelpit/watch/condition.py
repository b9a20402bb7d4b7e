"""What a watched condition is, in words: what it is called, how urgent it is, how long it is waited for, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.store.alarms import Priority
    from wheelpit.watch.machine import Delays

SECOND: Final = 1_000
MINUTE: Final = 60 * SECOND
HOUR: Final = 60 * MINUTE
DAY: Final = 24 * HOUR

DAYLIGHT: Final = "It can wait for daylight."


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One watched condition.

    While one of `explained_by` stands on the same node, this one is not raised anew: its cause is known.
    `delays` are those without a plant; its limits may lengthen or shorten the on-delay. `of_host` is true where it
    is the host that is watched, not a node.
    """

    name: str
    priority: Priority
    delays: Delays
    unit: str
    title: str
    text: str
    remedy: str
    explained_by: frozenset[str] = frozenset()
    of_host: bool = False

    @property
    def whole_remedy(self) -> str:
        """The remedy, and for all that is not critical that it has time."""
        return self.remedy if self.priority == "critical" else f"{self.remedy} {DAYLIGHT}"
