"""What a reader of the ledger gets: plain values, decoded, with units in their names.

Times are Unix milliseconds, UTC; an interval is `(start_ms, end_ms]`. `totals` are exact integers under the
names of `wheelpit.contract.names.TOTALS`; channel values are in the units of `CHANNELS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import msgspec

if TYPE_CHECKING:
    from datetime import date

    from wheelpit.contract.messages import Birth, Live
    from wheelpit.contract.names import Clock, WheelState


# Thousands of them for ten years: a form that is made, and thrown away, quickly.
class ChannelStat(msgspec.Struct, frozen=True, gc=False):
    """A channel over a period: the time that was measured, and the mean over it, least and most."""

    valid_ms: int
    mean: float
    min: float
    max: float


@dataclass(frozen=True, slots=True)
class NodeRow:
    """A node of a site. `online` is None when it was not heard since the service started.

    `disputed_chip` is set while two boards claim one store; nothing of it is booked then. `conflicts` counts
    record numbers that came a second time with different contents.
    """

    node: str
    chip: str | None
    journal: str | None
    birth: Birth | None
    birth_ms: int | None
    online: bool | None
    status_ms: int | None
    last_end_ms: int | None
    head_seq: int
    disputed_chip: str | None
    conflicts: int


@dataclass(frozen=True, slots=True)
class BucketRow:
    """Ten minutes counted from local midnight (the last of a day may be shorter).

    `span_ms` is the time that records cover, `longest_record_ms` the longest record that reaches into it: the
    time resolution is no better than that. `records` counts the records that end in it.
    """

    start_ms: int
    end_ms: int
    span_ms: int
    totals: dict[str, int]
    channels: dict[str, ChannelStat]
    longest_record_ms: int
    records: int


@dataclass(frozen=True, slots=True)
class DayRow:
    """A local day of the site, from its first instant to the first of the next; otherwise as a bucket."""

    day: date
    start_ms: int
    end_ms: int
    span_ms: int
    totals: dict[str, int]
    channels: dict[str, ChannelStat]
    longest_record_ms: int
    records: int


class DayMark(msgspec.Struct, frozen=True, gc=False):
    """A local day that has records, and a check number that changes with anything booked in it."""

    day: date
    start_ms: int
    end_ms: int
    check: int


@dataclass(frozen=True, slots=True)
class RecordRow:
    """One booked record.

    The totals are what was added since the record before it, over `(start_ms, end_ms]`; `mean`, `min` and `max`
    speak of its last `span_ms`, of which `dur_ms` were measured. They differ from the interval only where
    records were lost before it or folded into it.
    """

    node: str
    seq: int
    first: int
    start_ms: int
    end_ms: int
    span_ms: int
    dur_ms: int
    clock: Clock
    state: WheelState
    mean: dict[str, float | None]
    min: dict[str, float | None]
    max: dict[str, float | None]
    totals: dict[str, int]
    faults: dict[str, str]


@dataclass(frozen=True, slots=True)
class GapRow:
    """Records that are not stored: `gap`, the node no longer held them; `refused`, they could not be used.

    Their energy is in the next record of the same boot, if there is one; `start_ms` and `end_ms` (None while
    no such record is dated) say in which time they lie.
    """

    node: str
    kind: Literal["gap", "refused"]
    first: int
    last: int
    reason: str
    start_ms: int | None
    end_ms: int | None


@dataclass(frozen=True, slots=True)
class UnmeasuredRow:
    """A stretch of time that no record of a node covers."""

    node: str
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class DeadLetterRow:
    """A message, or a record of one, that could not be used. `bytes` is its length as it came."""

    at_ms: int
    topic: str
    reason: str
    payload: bytes
    bytes: int


@dataclass(frozen=True, slots=True)
class LiveRow:
    """The newest live message of a node and when it came."""

    node: str
    arrived_ms: int
    live: Live


@dataclass(frozen=True, slots=True)
class StrangerRow:
    """A node that the plant's description does not name: when it was heard last, and how many messages it sent."""

    node: str
    heard_ms: int
    messages: int


@dataclass(frozen=True, slots=True)
class HostSeen:
    """The host as its writer sees it now.

    Attributes:
        stores_in_dispute: stores that two boards say are theirs.
        clock_behind: the host's clock is behind what the ledger has seen.
        dropped: messages that the broker has thrown away since the last look; None where it does not say.

    """

    stores_in_dispute: int = 0
    clock_behind: bool = False
    dropped: int | None = None
