"""Decides, from a journal's head and a record, what is booked: no clock, no database, no network.

A node counts its totals from boot and never gives one out twice, and the head remembers the totals of the last
record that was booked. What is booked is the difference. So a record that comes twice adds nothing, a record
that was lost leaves its energy to the next one, and a record that joins several, of which some are booked
already, adds what is left.

Records come in order. Every message says which record the node holds immediately before its first one: if that
one is not accounted for here, a message was lost on the way and its records still lie at the node, so nothing is
booked and the node begins again from the receipt.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.contract.names import SEQ_PER_BOOT, TOTALS
from wheelpit.store.packing import CLOCKS, FAULTS, PER_UNIT, STATES, Layout, Stored

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from wheelpit.contract.messages import Record

# A plausible boot: shorter than this, and no faster than this many records. Beyond it a number is damaged.
LONGEST_UP_MS: Final = 5 * 366 * 86_400_000
LONGEST_SPAN_MS: Final = 400 * 86_400_000
_MOST_STEPS: Final = 1 << 40
# How far ahead of the head a number may lie for an unusable record to be believed in it.
FARTHEST_AHEAD: Final = 1_000_000
# The most that a total may grow in an hour, by its unit. Far beyond any machine of this kind: it catches damage.
_PER_HOUR: Final = {
    "mwh": 100_000_000,  # 100 kW
    "mas": 10_000_000 * 3600,  # 10 kA
    "mrev": 60 * 10_000 * 1000,  # 10,000 turns a minute
    "ms": 10 * 3_600_000,
    "edges": 3600 * 100_000,
    "rejected": 3600 * 100_000,
    "flips": 3600 * 1000,
}
_MOST_PER_HOUR: Final = {name: _PER_HOUR[name.rsplit("_", 1)[1]] for name in TOTALS}
_SLACK_MS: Final = 3_600_000  # granted on top, so that a short interval is not judged by its rounding


@dataclass(frozen=True, slots=True)
class Head:
    """What is accounted for of a journal.

    `seq` is the highest number stored, declared a gap or refused; `booked_seq`, `up_ms` and `totals` speak of
    the last record that was booked (0, 0 and empty when none was).
    """

    seq: int = 0
    booked_seq: int = 0
    up_ms: int = 0
    totals: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hole:
    """Numbers `first` to `last` that are not stored, and why."""

    first: int
    last: int
    kind: Literal["gap", "refused"]
    reason: str


@dataclass(frozen=True, slots=True)
class BadRecord:
    """A record that the contract refuses; `seq` and `first` are None where they could not be read."""

    seq: int | None
    first: int | None
    reason: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Sent:
    """A record message as it was decoded: `after` is what the node holds immediately before the first record."""

    journal: str
    after: int
    records: Sequence[Record | BadRecord]


@dataclass(frozen=True, slots=True)
class Duplicate:
    """The record is accounted for already."""

    seq: int


@dataclass(frozen=True, slots=True)
class Missing:
    """The node holds a record before this one that is not accounted for: nothing more of the message is used."""

    before: int


@dataclass(frozen=True, slots=True)
class Booked:
    """The record is booked."""

    head: Head
    holes: tuple[Hole, ...]
    record: Record
    layout: Layout
    stored: Stored


@dataclass(frozen=True, slots=True)
class Refused:
    """The record cannot be used; its numbers are accounted for, its energy comes with the next record."""

    head: Head
    holes: tuple[Hole, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Disbelieved:
    """The record cannot be used and its number makes no sense either: the head stays where it is."""

    reason: str


Decision = Duplicate | Missing | Booked | Refused | Disbelieved


def boot_of(seq: int) -> int:
    """Return the boot that a number belongs to."""
    return seq // SEQ_PER_BOOT


def fingerprint(up_ms: int, totals: Mapping[str, int]) -> int:
    """Return 13 bits by which two records of one number are told apart if their contents differ."""
    text = f"{up_ms} " + " ".join(f"{name}={totals[name]}" for name in sorted(totals))
    return zlib.crc32(text.encode()) & 0x1FFF


def take(
    head: Head,
    prev: int,
    record: Record | BadRecord,
    *,
    known_boot: int = 0,
    unreadable_before: bool = False,
) -> Decision:
    """Decide about one record.

    Args:
        head: what is accounted for of the journal.
        prev: the number of the record that the node holds immediately before this one; 0 for none.
        record: the record, valid by the contract, or what could be read of it.
        known_boot: the boot that the node's birth message names; 0 if there was none.
        unreadable_before: a record stood between `prev` and this one whose number could not be read.

    """
    if record.seq is None:
        return Disbelieved(record.reason)
    if record.seq <= head.seq:
        return Duplicate(record.seq)
    if prev > head.seq:
        return Missing(prev)
    reason = record.reason if isinstance(record, BadRecord) else _fault_of(head, record)
    first = record.seq if record.first is None else record.first
    if reason is None and not isinstance(record, BadRecord):
        return _book(head, record, _hole_before(head, first, unreadable_before=unreadable_before))
    reason = reason or "it cannot be used"
    if not _believable(head, known_boot, record.seq):
        return Disbelieved(reason)
    if not (first <= record.seq and boot_of(first) == boot_of(record.seq) and first % SEQ_PER_BOOT):
        first = record.seq
    holes = _hole_before(head, first, unreadable_before=unreadable_before)
    refused = Hole(max(first, head.seq + 1), record.seq, "refused", reason)
    return Refused(Head(record.seq, head.booked_seq, head.up_ms, head.totals), (*holes, refused), reason)


def _book(head: Head, record: Record, holes: tuple[Hole, ...]) -> Booked:
    same_boot = record.boot == boot_of(head.booked_seq)
    before: Mapping[str, int] = head.totals if same_boot else {}
    layout = _layout(record)
    stored = Stored(
        seq=record.seq,
        first=record.first,
        up_ms=record.up_ms,
        row_ms=record.up_ms - (head.up_ms if same_boot else 0),
        clip_ms=0,
        span_ms=record.span_ms,
        dur_ms=record.dur_ms,
        clock=CLOCKS.index(record.clock),
        state=STATES.index(record.state),
        check=fingerprint(record.up_ms, record.total),
        mean=_steps(layout, record.mean),
        low=_steps(layout, record.min),
        high=_steps(layout, record.max),
        faults=[_fault_code(record.faults.get(name)) for name in layout.channels],
        totals=[record.total[name] - before.get(name, 0) for name in layout.totals],
    )
    head = Head(record.seq, record.seq, record.up_ms, {**before, **record.total})
    return Booked(head, holes, record, layout, stored)


def _believable(head: Head, known_boot: int, seq: int) -> bool:
    """Return whether the number of an unusable record may move the head.

    A damaged number far ahead would make every true record after it look like a duplicate.
    """
    if seq % SEQ_PER_BOOT == 0 or boot_of(seq) > max(known_boot, boot_of(head.seq)):
        return False
    floor = max(head.seq, boot_of(seq) * SEQ_PER_BOOT)
    return seq - floor <= FARTHEST_AHEAD


def _fault_of(head: Head, record: Record) -> str | None:
    """Return what is wrong with a record that is valid by the contract, or None."""
    return _fault_of_numbers(record) or _fault_of_values(record) or _fault_of_totals(head, record)


def _fault_of_numbers(record: Record) -> str | None:
    n, up_ms, span_ms = record.seq % SEQ_PER_BOOT, record.up_ms, record.span_ms
    checks = (
        (n == 0 or record.boot == 0, f"seq {record.seq} is no record number: boots and records count from 1"),
        (
            not (record.first <= record.seq and boot_of(record.first) == record.boot),
            f"first {record.first} does not lie before seq {record.seq} in the same boot",
        ),
        (not 0 < up_ms <= LONGEST_UP_MS, f"up_ms {up_ms} is not the uptime of a node"),
        (
            not 0 < span_ms <= min(up_ms, LONGEST_SPAN_MS),
            f"span_ms {span_ms} does not fit into up_ms {up_ms}",
        ),
        (record.dur_ms > span_ms, f"dur_ms {record.dur_ms} is longer than span_ms {span_ms}"),
        (n > up_ms // 500 + 100, f"record number {n} of a boot cannot come after {up_ms} ms"),
    )
    return next((text for wrong, text in checks if wrong), None)


def _fault_of_values(record: Record) -> str | None:
    for values in (record.mean, record.min, record.max):
        for name, value in values.items():
            per_unit = PER_UNIT.get(name)
            if value is not None and per_unit is not None and not abs(value) * per_unit < _MOST_STEPS:
                return f"{name} {value} is not a measured value"
    return None


def _fault_of_totals(head: Head, record: Record) -> str | None:
    same_boot = record.boot == boot_of(head.booked_seq)
    row_ms = record.up_ms - (head.up_ms if same_boot else 0)
    if row_ms <= 0:
        return f"up_ms {record.up_ms} does not come after {head.up_ms} of the record before it"
    before: Mapping[str, int] = head.totals if same_boot else {}
    for name, total in record.total.items():
        grown = total - before.get(name, 0)
        if grown < 0:
            return f"{name} fell from {before[name]} to {total} within a boot"
        most = _MOST_PER_HOUR.get(name)
        if most is not None and grown * 3_600_000 > most * (row_ms + _SLACK_MS):
            return f"{name} grew by {grown} in {row_ms} ms, more than any machine of this kind can do"
    return None


def _hole_before(head: Head, first: int, *, unreadable_before: bool) -> tuple[Hole, ...]:
    """Return the hole between the head and a record that the node says follows it, if there is one.

    Numbers skipped at a boot change are no records: a new boot begins at its own number 1.
    """
    boot = boot_of(first)
    start = head.seq + 1 if boot == boot_of(head.seq) else boot * SEQ_PER_BOOT + 1
    if start >= first:
        return ()
    if unreadable_before:
        return (Hole(start, first - 1, "refused", "a record here could not be read at all"),)
    return (Hole(start, first - 1, "gap", "the node no longer held it"),)


def _layout(record: Record) -> Layout:
    # A node says the same names in the same order each time.
    key = (*record.mean, *record.min, *record.max, *record.faults, "|", *record.total)
    found = _LAYOUTS.get(key)
    if found is None:
        if len(_LAYOUTS) > _MOST_LAYOUTS:
            _LAYOUTS.clear()
        found = Layout.of((*record.mean, *record.min, *record.max, *record.faults), record.total)
        _LAYOUTS[key] = found
    return found


_LAYOUTS: Final[dict[tuple[str, ...], Layout]] = {}
_MOST_LAYOUTS: Final = 256


def _steps(layout: Layout, values: Mapping[str, float | None]) -> list[int | None]:
    steps: list[int | None] = []
    for name in layout.channels:
        value = values.get(name)
        steps.append(None if value is None else round(value * PER_UNIT[name]))
    return steps


def _fault_code(code: str | None) -> int:
    if code is None:
        return 0
    return FAULTS.index(code) + 1 if code in FAULTS else len(FAULTS)
