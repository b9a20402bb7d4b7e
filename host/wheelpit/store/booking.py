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
from dataclasses import dataclass
from functools import lru_cache
from operator import gt, mul, sub
from typing import TYPE_CHECKING, Final, Literal

import msgspec

from wheelpit.contract.names import SEQ_PER_BOOT, TOTALS
from wheelpit.store.packing import CLOCKS, FAULTS, STATES, Layout, Stored

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


class Head(msgspec.Struct, frozen=True):
    """What is accounted for of a journal.

    `seq` is the highest number stored, declared a gap or refused; `booked_seq`, `up_ms` and `totals` speak of
    the last record that was booked (0, 0 and empty when none was).
    """

    seq: int = 0
    booked_seq: int = 0
    up_ms: int = 0
    totals: Mapping[str, int] = msgspec.field(default_factory=dict)


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


class Booked(msgspec.Struct, frozen=True):
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
    names, text = _template(tuple(totals))
    return zlib.crc32((text % (up_ms, *map(totals.__getitem__, names))).encode()) & 0x1FFF


@lru_cache(maxsize=256)  # as in packing: few sets of names, told in the same order each time
def _template(names: tuple[str, ...]) -> tuple[tuple[str, ...], str]:
    ordered = tuple(sorted(names))
    return ordered, " ".join(("%d", *(f"{name.replace('%', '%%')}=%d" for name in ordered)))


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
    first = record.seq if record.first is None else record.first
    holes = _hole_before(head, first, unreadable_before=unreadable_before)
    if isinstance(record, BadRecord):
        reason = record.reason
    else:
        try:
            return _book(head, record, holes)
        except _UnusableError as error:
            reason = str(error)
    if not _believable(head, known_boot, record.seq):
        return Disbelieved(reason)
    if not (first <= record.seq and boot_of(first) == boot_of(record.seq) and first % SEQ_PER_BOOT):
        first = record.seq
        holes = _hole_before(head, first, unreadable_before=unreadable_before)
    refused = Hole(max(first, head.seq + 1), record.seq, "refused", reason)
    return Refused(Head(record.seq, head.booked_seq, head.up_ms, head.totals), (*holes, refused), reason)


class _UnusableError(Exception):
    """A record that is valid by the contract and cannot be booked; the text says why."""


def _book(head: Head, record: Record, holes: tuple[Hole, ...]) -> Booked:
    _check_numbers(record)
    layout = Layout.of((*record.mean, *record.min, *record.max, *record.faults), record.total)
    mean, low, high = (_steps(layout, values) for values in (record.mean, record.min, record.max))
    same_boot = record.boot == boot_of(head.booked_seq)
    row_ms = record.up_ms - (head.up_ms if same_boot else 0)
    if row_ms <= 0:
        msg = f"up_ms {record.up_ms} does not come after {head.up_ms} of the record before it"
        raise _UnusableError(msg)
    before: Mapping[str, int] = head.totals if same_boot else {}
    stored = Stored(
        seq=record.seq,
        first=record.first,
        up_ms=record.up_ms,
        row_ms=row_ms,
        clip_ms=0,
        span_ms=record.span_ms,
        dur_ms=record.dur_ms,
        clock=CLOCKS.index(record.clock),
        state=STATES.index(record.state),
        check=fingerprint(record.up_ms, record.total),
        mean=mean,
        low=low,
        high=high,
        faults=[_fault_code(record.faults.get(name)) for name in layout.channels]
        if record.faults
        else [0] * len(layout.channels),
        totals=_grown(layout, record.total, before, row_ms),
    )
    return Booked(
        Head(record.seq, record.seq, record.up_ms, {**before, **record.total}), holes, record, layout, stored
    )


def _believable(head: Head, known_boot: int, seq: int) -> bool:
    """Return whether the number of an unusable record may move the head.

    A damaged number far ahead would make every true record after it look like a duplicate.
    """
    if seq % SEQ_PER_BOOT == 0 or boot_of(seq) > max(known_boot, boot_of(head.seq)):
        return False
    floor = max(head.seq, boot_of(seq) * SEQ_PER_BOOT)
    return seq - floor <= FARTHEST_AHEAD


def _check_numbers(record: Record) -> None:
    seq, first, up_ms, span_ms = record.seq, record.first, record.up_ms, record.span_ms
    n = seq % SEQ_PER_BOOT
    wrong = None
    if n == 0 or record.boot == 0:
        wrong = f"seq {seq} is no record number: boots and records count from 1"
    elif not (first <= seq and boot_of(first) == record.boot):
        wrong = f"first {first} does not lie before seq {seq} in the same boot"
    elif not 0 < up_ms <= LONGEST_UP_MS:
        wrong = f"up_ms {up_ms} is not the uptime of a node"
    elif not 0 < span_ms <= min(up_ms, LONGEST_SPAN_MS):
        wrong = f"span_ms {span_ms} does not fit into up_ms {up_ms}"
    elif record.dur_ms > span_ms:
        wrong = f"dur_ms {record.dur_ms} is longer than span_ms {span_ms}"
    elif n > up_ms // 500 + 100:
        wrong = f"record number {n} of a boot cannot come after {up_ms} ms"
    if wrong is not None:
        raise _UnusableError(wrong)


def _steps(layout: Layout, values: Mapping[str, float | None]) -> list[int | None]:
    """Return the values of a layout's channels in steps."""
    found = [*map(values.get, layout.channels)]
    steps: list[int | None]
    try:
        try:
            steps = [*map(round, map(mul, found, layout.per_unit))]  # None is the next case
        except TypeError:  # some could not be read
            steps = [
                None if value is None else round(value * per_unit)
                for value, per_unit in zip(found, layout.per_unit, strict=True)
            ]
    except (OverflowError, ValueError):  # infinity and not-a-number
        steps = [_MOST_STEPS]
    if max(map(abs, filter(None, steps)), default=0) >= _MOST_STEPS:
        for name, value, per_unit in zip(layout.channels, found, layout.per_unit, strict=True):
            if value is not None and not abs(value) * per_unit < _MOST_STEPS:
                msg = f"{name} {value} is not a measured value"
                raise _UnusableError(msg)
    return steps


def _grown(layout: Layout, totals: Mapping[str, int], before: Mapping[str, int], row_ms: int) -> list[int]:
    """Return by how much the totals grew."""
    names = layout.totals
    grown = [*map(totals.__getitem__, names)]
    if before:
        grown = [*map(sub, grown, [before.get(name, 0) for name in names])]
    most = _most_in(names, row_ms)
    if min(grown, default=0) < 0 or any(map(gt, grown, most)):
        for name, amount, limit in zip(names, grown, most, strict=True):
            if amount < 0:
                msg = f"{name} fell from {before[name]} to {totals[name]} within a boot"
                raise _UnusableError(msg)
            if amount > limit:
                msg = f"{name} grew by {amount} in {row_ms} ms, more than any machine of this kind can do"
                raise _UnusableError(msg)
    return grown


@lru_cache(maxsize=256)  # most records are as long as the one before
def _most_in(names: tuple[str, ...], row_ms: int) -> tuple[int, ...]:
    return tuple(_MOST_PER_HOUR[name] * (row_ms + _SLACK_MS) // 3_600_000 for name in names)


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


def _fault_code(code: str | None) -> int:
    if code is None:
        return 0
    return FAULTS.index(code) + 1 if code in FAULTS else len(FAULTS)
