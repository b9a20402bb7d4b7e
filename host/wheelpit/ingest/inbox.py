"""Between the network's thread and the writer: two bounded lanes, and nothing else shared.

Messages that must be kept (QoS 1) wait in one lane. The broker sends no more of them than the connection's
receive maximum before they are acknowledged, so this lane is bounded by the protocol; a broker that sends more
loses the connection. Messages that are only news (QoS 0) wait in another; when it is full the oldest go.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.errors import WheelpitError

# The writer takes at most so many messages into one transaction ...
BATCH: Final = 200
# ... and the broker may send more than twice as many before the first of them is acknowledged.
RECEIVE_MAXIMUM: Final = 500
_NEWS: Final = 1000


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message as it came. `payload` holds at most its first `MOST_BYTES`; `length` is its full length.

    `mid` may be acknowledged only on the connection numbered `generation`.
    """

    topic: str
    payload: bytes
    length: int
    qos: int
    retained: bool
    mid: int
    generation: int


@dataclass(frozen=True, slots=True)
class Connected:
    """The broker accepted the connection and every subscription."""

    generation: int


@dataclass(frozen=True, slots=True)
class Failed:
    """The network's thread ended, or must end, for this reason."""

    error: WheelpitError


Event = Incoming | Connected | Failed


class Inbox:
    """What came and was not taken yet."""

    def __init__(self) -> None:
        self._there = threading.Condition()
        self._kept: deque[Event] = deque()
        self._news: deque[Incoming] = deque(maxlen=_NEWS)
        self.lost_news = 0

    def put(self, event: Event) -> bool:
        """Add an event; return False, and leave a message out, when more came than the protocol allows."""
        with self._there:
            if isinstance(event, Incoming) and event.qos == 0:
                self.lost_news += len(self._news) == _NEWS
                self._news.append(event)
            elif isinstance(event, Incoming) and len(self._kept) >= 2 * RECEIVE_MAXIMUM:
                return False
            else:
                self._kept.append(event)
            self._there.notify()
        return True

    def take(self, timeout_s: float) -> list[Event]:
        """Return what is there, news first, at most a batch of it; wait at most `timeout_s` for something."""
        deadline = time.monotonic() + timeout_s
        with self._there:
            while not self._kept and not self._news:
                left = deadline - time.monotonic()
                if left <= 0:
                    return []
                self._there.wait(left)
            taken: list[Event] = list(self._news)
            self._news.clear()
            taken += [self._kept.popleft() for _ in range(min(BATCH, len(self._kept)))]
        return taken
