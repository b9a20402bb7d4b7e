"""The switch "working here": the wheel is parked on purpose, until the switch opens or has been forgotten.

A closed switch takes the alarms about a standing wheel away. So that a forgotten one does not do that for ever, the
guard's lamp reminds a quarter of an hour before it ends; after `most_ms` the wheel counts as it turns again. Opening
and closing the switch begins anew.
"""

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

# The switch counts when it has been the same for this many samples.
_STEADY = const(3)
REMIND_MS = const(900_000)
_LONG_MS = const(1_000_000_000)


class Parking:
    """closed: the switch, steady. held_ms: for how long. parked: whether it counts. reminder: say that it is closed."""

    __slots__ = ("_contact", "_count", "_most_ms", "closed", "held_ms", "parked", "reminder")

    def __init__(self, contact: "Callable[[], int]", most_ms: int) -> None:
        self._contact = contact
        self._most_ms = most_ms
        self._count = 0
        self.closed = False
        self.held_ms = 0
        self.parked = False
        self.reminder = False

    def look(self, ms: int) -> bool:
        """Look at the switch, `ms` after the last time; return whether the wheel counts as parked."""
        if bool(self._contact()) == self.closed:
            self._count = 0
        else:
            self._count += 1
            if self._count >= _STEADY:
                self.closed = not self.closed
                self._count = 0
                self.held_ms = 0
        if self.closed:
            self.held_ms = min(self.held_ms + ms, _LONG_MS)
        self.parked = self.closed and self.held_ms < self._most_ms
        self.reminder = self.closed and self.held_ms >= self._most_ms - REMIND_MS
        return self.parked
