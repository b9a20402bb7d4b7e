"""How records and roll-ups lie in the ledger: a fixed number of zigzag varints, in the order of a layout.

A varint is seven bits a byte, lowest first, the top bit set on all but the last; zigzag turns signed numbers
into unsigned ones so that small negatives stay short. The count of numbers is fixed by the layout, so many
bodies of one layout can be decoded together (`wheelpit.store.unpacking`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Final, get_args

import msgspec

from wheelpit.contract.names import CHANNELS, TOTALS, Clock, Fault, WheelState

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CLOCKS: Final[tuple[Clock, ...]] = get_args(Clock)
STATES: Final[tuple[WheelState, ...]] = get_args(WheelState)
# Fault codes are three bits: 0 none, 1 to 6 these, 7 a code that this version does not know.
FAULTS: Final[tuple[str, ...]] = (*get_args(Fault), "other")
PER_UNIT: Final = {channel.name: round(1 / channel.step) for channel in CHANNELS.values()}

# These are as a rule as long as the interval, so what is missing from it is kept: one byte instead of three.
_AS_A_RULE_FULL: Final = frozenset(
    {name for name in TOTALS if name.endswith("_valid_ms")} | {"turning_ms", "above_cutin_ms", "charging_ms"}
)
RECORD_HEAD: Final = (
    "back",  # seq - first
    "up_ms",
    "row_ms",
    "clip_ms",
    "lead_ms",  # row_ms - span_ms
    "off_ms",  # span_ms - dur_ms
    "clock",
    "state",
    "check",
    "nulls",
    "faults",
)
ROLLUP_HEAD: Final = ("span_ms", "longest_ms", "records")


class _Varints(dict[int, bytes]):
    """Zigzag varints by their integer: each small one is made once, a large one whenever it comes."""

    def __missing__(self, value: int) -> bytes:
        rest = value << 1 if value >= 0 else ~(value << 1)
        made = b""
        while rest >= 1 << 14:
            made += _TWO_SEVENS[rest & 0x3FFF]
            rest >>= 14
        made += bytes((rest,) if rest < 1 << 7 else (rest & 127 | 128, rest >> 7))
        if -_VARINTS_KEPT <= value < _VARINTS_KEPT:
            self[value] = made
        return made


_TWO_SEVENS: Final = [bytes((bits & 127 | 128, bits >> 7 | 128)) for bits in range(1 << 14)]
_VARINTS_KEPT: Final = 1 << 14  # a measured value in steps hardly ever lies farther from 0, nor from its mean
_varint: Final = _Varints().__getitem__


def encode(values: Iterable[int]) -> bytes:
    """Return integers of any size as zigzag varints."""
    return b"".join(map(_varint, values))


def decode(body: bytes) -> list[int]:
    """Return the integers of a body; raise `ValueError` if it ends inside one."""
    values = []
    rest = shift = 0
    for byte in body:
        if byte > 127:  # noqa: PLR2004 - seven bits
            rest |= (byte & 127) << shift
            shift += 7
        else:
            rest |= byte << shift
            values.append((rest >> 1) ^ -(rest & 1))
            rest = shift = 0
    if shift:
        raise ValueError("a packed body ends inside a number")
    return values


@dataclass(frozen=True, slots=True)
class Layout:
    """The channels and totals of a body, in order."""

    channels: tuple[str, ...]
    totals: tuple[str, ...]
    per_unit: tuple[int, ...] = field(init=False, compare=False, repr=False)
    full: tuple[bool, ...] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "per_unit", tuple(PER_UNIT[name] for name in self.channels))
        object.__setattr__(self, "full", tuple(name in _AS_A_RULE_FULL for name in self.totals))

    @staticmethod
    def read(channels: str, totals: str) -> Layout:
        """Return the layout that the ledger's table has in words, with blanks between them."""
        return Layout(tuple(channels.split()), tuple(totals.split()))

    @staticmethod
    def of(channels: Iterable[str], totals: Iterable[str]) -> Layout:
        """Return the layout of some channels and totals, in the contract's order; unknown names are left out."""
        return _layout(tuple(channels), tuple(totals))


@lru_cache(maxsize=256)  # a node says the same names in the same order each time
def _layout(channels: tuple[str, ...], totals: tuple[str, ...]) -> Layout:
    return Layout(
        tuple(name for name in CHANNELS if name in channels),
        tuple(name for name in TOTALS if name in totals),
    )


class Stored(msgspec.Struct):
    """A record as it is kept: integers only, channels in steps (`PER_UNIT`), totals as differences.

    It covers the last `row_ms` of its boot's uptime, cut by `clip_ms` at the front where that time was booked
    already; means speak of the last `span_ms`, of which `dur_ms` were measured. `check` tells two records of
    one number apart.
    """

    seq: int
    first: int
    up_ms: int
    row_ms: int
    clip_ms: int
    span_ms: int
    dur_ms: int
    clock: int
    state: int
    check: int
    mean: list[int | None]
    low: list[int | None]
    high: list[int | None]
    faults: list[int]
    totals: list[int]

    def start_ms(self, end_ms: int) -> int:
        """Return where its interval begins when it ends at `end_ms`."""
        return end_ms - self.row_ms + self.clip_ms


def pack_record(layout: Layout, record: Stored) -> bytes:
    """Return the body of a record."""
    nulls = faults = 0
    cells: list[int] = []
    for place, (mean, low, high) in enumerate(zip(record.mean, record.low, record.high, strict=True)):
        if mean is not None and low is not None and high is not None:
            cells += (mean, mean - low, high - mean)
            continue
        middle = mean if mean is not None else 0
        nulls |= ((mean is None) | (low is None) << 1 | (high is None) << 2) << (3 * place)
        cells += (middle, middle - low if low is not None else 0, high - middle if high is not None else 0)
    if any(record.faults):
        for place, code in enumerate(record.faults):
            faults |= code << (3 * place)
    row_ms = record.row_ms
    totals = [
        row_ms - amount if full else amount
        for amount, full in zip(record.totals, layout.full, strict=True)
    ]  # fmt: skip
    head = (
        record.seq - record.first,
        record.up_ms,
        row_ms,
        record.clip_ms,
        row_ms - record.span_ms,
        record.span_ms - record.dur_ms,
        record.clock,
        record.state,
        record.check,
        nulls,
        faults,
    )
    return encode([*head, *cells, *totals])


def unpack_record(layout: Layout, seq: int, body: bytes) -> Stored:
    """Return the record of a body; raise `ValueError` if the body does not fit the layout."""
    values = decode(body)
    channels = len(layout.channels)
    at = len(RECORD_HEAD) + 3 * channels
    if len(values) != at + len(layout.totals):
        msg = f"a packed record has {len(values)} numbers, its layout asks for {at + len(layout.totals)}"
        raise ValueError(msg)
    back, up_ms, row_ms, clip_ms, lead_ms, off_ms, clock, state, check, nulls, faults = values[:11]
    mean: list[int | None] = []
    low: list[int | None] = []
    high: list[int | None] = []
    place = 11
    for _ in range(channels):
        middle = values[place]
        mean.append(None if nulls & 1 else middle)
        low.append(None if nulls & 2 else middle - values[place + 1])
        high.append(None if nulls & 4 else middle + values[place + 2])
        nulls >>= 3
        place += 3
    return Stored(
        seq=seq,
        first=seq - back,
        up_ms=up_ms,
        row_ms=row_ms,
        clip_ms=clip_ms,
        span_ms=row_ms - lead_ms,
        dur_ms=row_ms - lead_ms - off_ms,
        clock=clock,
        state=state,
        check=check,
        mean=mean,
        low=low,
        high=high,
        faults=[faults >> (3 * place) & 7 for place in range(channels)],
        totals=[
            row_ms - value if full else value for value, full in zip(values[at:], layout.full, strict=True)
        ],
    )


@dataclass(slots=True)
class Sums:
    """What a roll-up adds up.

    `channels` holds per channel the measured milliseconds, the sum of steps times milliseconds, and the least
    and the most in steps.
    """

    span_ms: int = 0
    longest_ms: int = 0
    records: int = 0
    totals: dict[str, int] = field(default_factory=dict)
    channels: dict[str, list[int]] = field(default_factory=dict)

    def add(self, other: Sums) -> None:
        """Add another roll-up to this one."""
        self.span_ms += other.span_ms
        self.longest_ms = max(self.longest_ms, other.longest_ms)
        self.records += other.records
        totals = self.totals
        for name, amount in other.totals.items():
            totals[name] = totals.get(name, 0) + amount
        for name, cell in other.channels.items():
            mine = self.channels.get(name)
            if mine is None:
                self.channels[name] = list(cell)
            else:
                mine[0] += cell[0]
                mine[1] += cell[1]
                mine[2] = min(mine[2], cell[2])
                mine[3] = max(mine[3], cell[3])


def pack_sums(sums: Sums) -> tuple[Layout, bytes]:
    """Return the layout and the body of a roll-up."""
    layout = Layout.of(sums.channels, sums.totals)
    values = [sums.span_ms, sums.longest_ms, sums.records]
    for name in layout.channels:
        values += sums.channels[name]
    values += [sums.totals[name] for name in layout.totals]
    return layout, encode(values)


def unpack_sums(layout: Layout, body: bytes) -> Sums:
    """Return the roll-up of a body; raise `ValueError` if the body does not fit the layout."""
    values = decode(body)
    at = len(ROLLUP_HEAD) + 4 * len(layout.channels)
    if len(values) != at + len(layout.totals):
        msg = f"a packed roll-up has {len(values)} numbers, its layout asks for {at + len(layout.totals)}"
        raise ValueError(msg)
    return sums_of(layout, values)


def sums_of(layout: Layout, values: list[int]) -> Sums:
    """Return the roll-up that the integers of a body make."""
    at = len(ROLLUP_HEAD) + 4 * len(layout.channels)
    return Sums(
        span_ms=values[0],
        longest_ms=values[1],
        records=values[2],
        channels={name: values[3 + 4 * i : 7 + 4 * i] for i, name in enumerate(layout.channels)},
        totals=dict(zip(layout.totals, values[at:], strict=True)),
    )


def to_units(channel: str, steps: float) -> float:
    """Return a value in steps as a number in the channel's unit."""
    return steps / PER_UNIT[channel]


def split_in_proportion(amount: int, lengths: Sequence[int]) -> list[int]:
    """Split an integer in proportion to lengths; the parts sum to it exactly, remainders go to later parts.

    With lengths that sum to zero everything goes to the last part.
    """
    whole = sum(lengths)
    if whole == 0:
        return [0] * (len(lengths) - 1) + [amount]
    parts = []
    passed = given = 0
    for length in lengths:
        passed += length
        upto = amount * passed // whole
        parts.append(upto - given)
        given = upto
    return parts
