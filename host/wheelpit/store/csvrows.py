"""Reads rows of measurements from a CSV file: our own export, or any file with a time and values.

Nothing is guessed: a local time that the clocks showed twice, or never, is reported with its line, and so is a value
that is no number, a row that comes twice, and one that is out of order.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, Literal

from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS
from wheelpit.errors import WheelpitError
from wheelpit.store.bookkeeper import EARLIEST_MS, LATEST_MS
from wheelpit.store.days import to_ms
from wheelpit.store.importing import Row
from wheelpit.store.packing import CLOCKS, FAULTS, PER_UNIT, STATES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path
    from zoneinfo import ZoneInfo

Times = Literal["offset", "utc", "local", "unix-s", "unix-ms"]

_OURS: Final = frozenset({"node", "seq", "start_utc_ms", "end_utc_ms", "span_ms", "dur_ms", "clock", "state"})
_MOST_STEPS: Final = 1 << 40
_MOST_TOTAL: Final = 1 << 53


class CsvError(WheelpitError):
    """The file cannot be read as a table of measurements."""


class _LineError(ValueError):
    """What is wrong with one line."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A line that cannot be used, and why."""

    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the file and the factor by which it becomes our unit."""

    name: str
    factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreign:
    """How to read a file that is not our own.

    Attributes:
        node: the node whose rows they become.
        time: the column with the time.
        times: how it is written.
        time_format: as `datetime.strptime` reads it; None for ISO 8601.
        every_ms: how long the interval is that a row speaks of [ms]; a nearer row before it shortens it.
        at_start: whether the time is the interval's start; otherwise its end.
        values: our channels and totals, and where they stand. A channel is the mean over the interval, a total what
            was added in it.
        counters: those of the totals that stand as a running counter, of which the difference is booked.

    """

    node: str
    time: str
    times: Times
    time_format: str | None = None
    every_ms: int
    at_start: bool = False
    values: Mapping[str, Column]
    counters: frozenset[str] = field(default_factory=frozenset)


def local_instant(wall: datetime, zone: ZoneInfo) -> int:
    """Return the instant of a time on the clocks of a zone [Unix ms].

    Raises:
        ValueError: the clocks showed it twice, or never.

    """
    early, late = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.utcoffset() != late.utcoffset():
        if early.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == wall:
            msg = f"{wall} came twice in {zone.key}, when clocks went back: it does not say which of them is meant"
        else:
            msg = f"{wall} did not exist in {zone.key}: clocks went forward over it"
        raise _LineError(msg)
    return to_ms(early.astimezone(UTC))


class Table:
    """A CSV file of measurements.

    Args:
        path: the file, in UTF-8.
        zone: the zone of local times.
        foreign: how to read it if it is not our own export of records.

    Raises:
        CsvError: it has no header, or not the columns that are asked for.

    """

    def __init__(self, path: Path, zone: ZoneInfo, foreign: Foreign | None) -> None:
        self._path = path
        self._zone = zone
        self._foreign = foreign
        try:
            with path.open(newline="", encoding="utf-8-sig") as file:
                self._header = next(csv.reader(file), [])
        except (OSError, UnicodeDecodeError) as error:
            msg = f"{path} cannot be read: {error}"
            raise CsvError(msg) from error
        twice = {name for name in self._header if self._header.count(name) > 1}
        if foreign is None:
            missing: set[str] = set(_OURS - set(self._header))
        else:
            missing = {foreign.time, *(column.name for column in foreign.values.values())} - set(self._header)
        if twice or missing:
            what = f"has twice {', '.join(sorted(twice))}" if twice else f"lacks {', '.join(sorted(missing))}"
            msg = f"{path} {what}; its columns are: {', '.join(self._header) or 'none'}"
            raise CsvError(msg)

    def rows(self) -> Iterator[Row | Fault]:
        """Yield the rows in the order of the file, and what cannot be used in its place.

        Raises:
            CsvError: the file is no CSV, or no UTF-8.

        """
        order = _Order()
        try:
            with self._path.open(newline="", encoding="utf-8-sig") as file:
                lines = csv.reader(file)
                next(lines, None)
                for cells in lines:
                    if cells:
                        yield self._one(lines.line_num, cells, order)
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            msg = f"{self._path} cannot be read to its end: {error}"
            raise CsvError(msg) from error

    def _one(self, line: int, cells: list[str], order: _Order) -> Row | Fault:
        try:
            return self._row(line, cells, order)
        except _LineError as error:
            return Fault(line, str(error))

    def _row(self, line: int, cells: list[str], order: _Order) -> Row:
        if len(cells) != len(self._header):
            msg = f"it has {len(cells)} cells, the header has {len(self._header)}"
            raise _LineError(msg)
        if line >= SEQ_PER_BOOT:
            msg = f"a file may have {SEQ_PER_BOOT} lines: divide it"
            raise _LineError(msg)
        told = dict(zip(self._header, cells, strict=True))
        row = _ours(line, told) if self._foreign is None else self._theirs(line, told, self._foreign, order)
        _check_times(row)
        order.take(row, told.get("seq") if self._foreign is None else None)
        return row

    def _theirs(self, line: int, told: dict[str, str], foreign: Foreign, order: _Order) -> Row:
        at_ms = self._instant(told[foreign.time], foreign)
        end_ms = at_ms + foreign.every_ms if foreign.at_start else at_ms
        start_ms = end_ms - foreign.every_ms
        before = order.end_of(foreign.node)
        if before is not None and start_ms < before < end_ms and not foreign.at_start:
            start_ms = before
        row = Row(line, foreign.node, start_ms, end_ms, end_ms - start_ms, end_ms - start_ms)
        for name, column in foreign.values.items():
            text = told[column.name].strip()
            if not text:
                continue
            value = _real(name, text) * column.factor
            if name in CHANNELS:
                row.mean[name] = row.low[name] = row.high[name] = _step(name, value)
            elif name in foreign.counters:
                counted = _total(name, value)
                row.totals[name] = max(0, counted - order.counted(name, counted))
            else:
                row.totals[name] = _total(name, value)
        for name in list(row.totals):
            # What a counter or a sum speaks of was measured over the row, unless a column says otherwise.
            pair = f"{name.split('_', maxsplit=1)[0]}_valid_ms"
            if name != pair and pair in TOTALS:
                row.totals.setdefault(pair, row.span_ms)
        return row

    def _instant(self, text: str, foreign: Foreign) -> int:
        text = text.strip()
        if foreign.times in {"unix-s", "unix-ms"}:
            return round(_real("the time", text) * (1000 if foreign.times == "unix-s" else 1))
        try:
            told = (
                datetime.fromisoformat(text)
                if foreign.time_format is None
                else datetime.strptime(text, foreign.time_format)  # noqa: DTZ007 - judged below
            )
        except ValueError as error:
            msg = f"{text!r} is no time: {error}"
            raise _LineError(msg) from error
        if told.tzinfo is not None:
            if foreign.times == "local":
                msg = f"{text!r} has an offset, local times were announced: read it with --times offset"
                raise _LineError(msg)
            return to_ms(told.astimezone(UTC))
        if foreign.times == "offset":
            msg = f"{text!r} has no offset: say with --times whether it is utc or local"
            raise _LineError(msg)
        return to_ms(told.replace(tzinfo=UTC)) if foreign.times == "utc" else local_instant(told, self._zone)


class _Order:
    """What came before in the file: rows must follow one another."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[int, int, int, str | None]] = {}
        self._counts: dict[str, int] = {}

    def end_of(self, node: str) -> int | None:
        last = self._last.get(node)
        return None if last is None else last[1]

    def counted(self, name: str, now: int) -> int:
        """Return where a counter stood before; a counter that fell began anew, at zero."""
        before = self._counts.get(name, now)
        self._counts[name] = now
        return before if before <= now else 0

    def take(self, row: Row, seq: str | None) -> None:
        last = self._last.get(row.node)
        if last is not None:
            start, end, line, had = last
            if (row.start_ms, row.end_ms, seq) == (start, end, had):
                msg = f"it comes twice: line {line} is the same"
                raise _LineError(msg)
            if row.end_ms < end:
                msg = f"it is earlier than line {line}: sort the file by time first"
                raise _LineError(msg)
            if row.start_ms < min(end, row.end_ms):
                msg = f"it covers time of line {line} again"
                raise _LineError(msg)
        if last is None or row.end_ms > row.start_ms:
            self._last[row.node] = (row.start_ms, row.end_ms, row.line, seq)


def _ours(line: int, told: dict[str, str]) -> Row:
    start_ms, end_ms, span_ms, dur_ms = (
        _whole(name, told[name]) for name in ("start_utc_ms", "end_utc_ms", "span_ms", "dur_ms")
    )
    if told["clock"] not in CLOCKS or told["state"] not in STATES:
        msg = f"clock {told['clock']!r} or state {told['state']!r} is not one of ours"
        raise _LineError(msg)
    row = Row(line, told["node"], start_ms, end_ms, span_ms, dur_ms)
    row.clock = CLOCKS[CLOCKS.index(told["clock"])]
    row.state = STATES[STATES.index(told["state"])]
    for name in CHANNELS:
        for what, into in (("mean", row.mean), ("min", row.low), ("max", row.high)):
            if text := told.get(f"{name}_{what}", ""):
                into[name] = _step(name, _real(name, text))
        if fault := told.get(f"{name}_fault", ""):
            row.faults[name] = FAULTS.index(fault) + 1 if fault in FAULTS else len(FAULTS)
    row.totals = {name: _total(name, _whole(name, told[name])) for name in TOTALS if told.get(name)}
    return row


def _check_times(row: Row) -> None:
    if not EARLIEST_MS <= row.end_ms < LATEST_MS:
        msg = f"{row.end_ms} ms is not the time of a measurement: before 2020, or after 2099"
        raise _LineError(msg)
    if row.start_ms > row.end_ms or not 0 <= row.dur_ms <= row.span_ms:
        msg = f"its interval from {row.start_ms} to {row.end_ms} ms makes no sense"
        raise _LineError(msg)


def _real(name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        msg = f"{name} {text!r} is no number"
        raise _LineError(msg) from None
    if not math.isfinite(value):
        msg = f"{name} {text!r} is no measured value"
        raise _LineError(msg)
    return value


def _whole(name: str, text: str) -> int:
    try:
        return int(text)
    except ValueError:
        msg = f"{name} {text!r} is no whole number"
        raise _LineError(msg) from None


def _step(name: str, value: float) -> float:
    if abs(value) * PER_UNIT[name] >= _MOST_STEPS:
        msg = f"{name} {value} is not a measured value"
        raise _LineError(msg)
    return value


def _total(name: str, value: float) -> int:
    if not 0 <= value < _MOST_TOTAL:
        msg = f"{name} {value} is not what was added in an interval: totals do not fall"
        raise _LineError(msg)
    return round(value)
