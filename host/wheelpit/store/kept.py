"""Ten-minute roll-ups of past months as columns, kept in a file beside the ledger so that years open at once.

What is kept is disposable, and never believed by itself: each day of a month has a mark, a hash of what the ledger's
roll-up of that day holds and of where the day begins and ends. A day counts only while that is what the ledger has now,
so a record that comes late, a ledger that was restored, or another time zone changes just the days it touches. Nothing
of the plant's description is in it, so a change of that needs nothing. The figures are the ledger's own, to the last bit:
each column has a check sum, so that a spoilt card costs time and not the truth.
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from zlib import crc32

import numpy as np

from wheelpit.store.columns import BucketColumns
from wheelpit.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from wheelpit.store.reading import Reading
    from wheelpit.store.rows import DayMark

    Whole = NDArray[np.int64]
    Column = NDArray[Any]  # of whole numbers, or of a channel's means

_FORM: Final = 0x57500003  # of the file; one of another form, or of somebody else, is written anew
_BUSY_S: Final = 2.0
_PAGE_BYTES: Final = 65_536
_AT_ONCE: Final = 12  # months that are read or written together
_SCHEMA: Final = (
    "CREATE TABLE month (site TEXT, month TEXT, marks BLOB, names BLOB, PRIMARY KEY (site, month)) STRICT",
    "CREATE TABLE part (site TEXT, month TEXT, name TEXT, body BLOB, PRIMARY KEY (site, month, name)) STRICT",
)
# Names of parts: a total's own; of a channel its own for the mean; of a bucket where it begins and how long it is.
_BEGIN: Final = "begin"
_LENGTH: Final = "length"
_HEAD: Final = struct.Struct("<cq")  # how numpy calls the type of the numbers; what is to be added to each
_SUM_BYTES: Final = 4  # of the check sum before it
_TYPES: Final = {letter.encode(): np.dtype(letter) for letter in ("d", "q", "B", "H", "I")}
_UNSIGNED: Final = tuple((letter, int(np.iinfo(letter).max)) for letter in ("B", "H", "I"))


class Kept:
    """Ten-minute roll-ups of a ledger, month by month.

    Args:
        reader: The ledger.
        path: The file in which they are kept; None to keep none.
    """

    def __init__(self, reader: Reading, path: Path | None) -> None:
        self._reader = reader
        self._path = path
        self._columns: dict[str, tuple[list[str], list[str]]] = {}

    def columns(
        self, site: str, from_ms: int, to_ms: int, names: Sequence[str], channels: Sequence[str] = ()
    ) -> BucketColumns:
        """Return what the reader's `bucket_columns` returns."""
        day = timedelta(days=1)
        first, last = (datetime.fromtimestamp(at / 1000, UTC).date() for at in (from_ms, to_ms))
        days = self.days(site, first - day, last + day)
        months = {_month(mark) for mark in days if mark.start_ms < to_ms and mark.end_ms > from_ms}
        days = [mark for mark in days if _month(mark) in months]
        found = _joined(list(self.months(site, days, names, channels)), names, channels)
        return _chosen(found, (found.start_ms < to_ms) & (found.end_ms > from_ms))

    def days(self, site: str, first: date | None = None, last: date | None = None) -> list[DayMark]:
        """Return all days of the months from `first` to `last`, both included; None is no limit."""
        if last is not None:
            last = (last.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
        return self._reader.day_marks(site, None if first is None else first.replace(day=1), last)

    def months(
        self,
        site: str,
        days: Sequence[DayMark],
        names: Sequence[str],
        channels: Sequence[str],
        *,
        measured: bool = True,
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[BucketColumns]:
        """Yield the buckets of some months, in order.

        Args:
            site: The site's id.
            days: All days of these months, as `days` gives them: a month is kept whole.
            names: The totals that are wanted.
            channels: The channels that are wanted.
            measured: Whether it is wanted for how long they were measured, too.
            progress: Is told how many days of how many had to be read from the ledger.

        """
        of_month = {month: list(of) for month, of in groupby(days, _month)}
        asked = list(of_month)
        wanted = (_BEGIN, _LENGTH, *names, *channels, *(map(_measured, channels) if measured else ()))
        timed = channels if measured else ()
        done = of = 0
        if progress is not None:
            told = self._read(site, asked, ())
            of = sum(len(_stale(of_month[month], told.get(month))) for month in asked)
        for at in range(0, len(asked), _AT_ONCE):
            part = asked[at : at + _AT_ONCE]
            held = self._read(site, part, wanted)
            fresh: dict[str, BucketColumns] = {}
            for month in part:
                missing = _stale(of_month[month], held.get(month))
                # A ledger that was restored may have lost days that are kept.
                if not missing and len(held[month].marks) == len(of_month[month]):
                    yield _buckets(held.pop(month).parts, names, channels, timed)
                    continue
                found = self._anew(site, month, of_month[month], known=month in held)
                yield _buckets(dict(_parts(found)), names, channels, timed)
                done += len(missing)
                if progress is not None:
                    progress(done, max(of, done))
                # The day that goes on is another one in a moment: by itself it is not worth a write.
                if missing != days[-1:] or month not in held:
                    fresh[month] = found
            if fresh:
                self._keep(site, {month: (of_month[month], found) for month, found in fresh.items()})

    def _anew(self, site: str, month: str, days: Sequence[DayMark], *, known: bool) -> BucketColumns:
        """Return a month with everything in it: what is kept and still true, the rest from the ledger."""
        channels, names = self._columns_of(site)
        held = self._read(site, [month], None).get(month) if known else None
        missing = set(_stale(days, held))
        parts: list[BucketColumns] = []
        if held is not None:
            found = _buckets(held.parts, names, channels, channels)
            ends = np.array([mark.end_ms for mark in days], np.int64)
            true = np.array([mark not in missing for mark in days] + [False])
            starts = np.array([mark.start_ms for mark in days] + [1 << 62], np.int64)
            place = np.searchsorted(ends, found.start_ms, "right")
            parts.append(_chosen(found, true[place] & (found.start_ms >= starts[place])))
        for gone, run in groupby(days, lambda mark: mark in missing):
            if gone:
                first, *rest = run
                end_ms = rest[-1].end_ms if rest else first.end_ms
                parts.append(self._reader.bucket_columns(site, first.start_ms, end_ms, names, channels))
        if len(parts) == 1:
            return parts[0]  # in order
        found = _joined(parts, names, channels)
        return _chosen(found, np.argsort(found.start_ms, kind="stable"))

    def _columns_of(self, site: str) -> tuple[list[str], list[str]]:
        """Return the channels and totals of the ledger, which is asked once."""
        if site not in self._columns:
            self._columns[site] = self._reader.columns(site)
        return self._columns[site]

    def _read(self, site: str, months: Sequence[str], names: Sequence[str] | None) -> dict[str, _Month]:
        """Return the marks of months that are kept, and some parts, all where `names` is None."""
        found: dict[str, _Month] = {}
        if self._path is None or not self._path.is_file():
            return found
        which = "" if names is None else f"AND name IN ({', '.join('?' * len(names))})"
        try:
            with closing(_opened(self._path, "ro")) as db:
                db.execute("BEGIN")
                if db.execute("PRAGMA user_version").fetchone() != (_FORM,):
                    return found
                for month in months:
                    row = db.execute(
                        "SELECT marks, names FROM month WHERE site = ? AND month = ?", (site, month)
                    ).fetchone()
                    if row is None:
                        continue
                    told = np.frombuffer(row[0], np.int64).reshape(2, -1).tolist()
                    held = found[month] = _Month(dict(zip(*told, strict=True)), {})
                    if names == ():
                        continue
                    listed = set(bytes(_checked(row[1])).decode().split("\n"))
                    parts = db.execute(
                        f"SELECT name, body FROM part WHERE site = ? AND month = ? {which}",  # noqa: S608 - marks only
                        (site, month, *(names or ())),
                    )
                    held.parts.update((name, _unpacked(body)) for name, body in parts)
                    if held.parts.keys() != (listed if names is None else listed.intersection(names)):
                        return {}  # a part was lost
        except (sqlite3.Error, ValueError):
            return {}  # whatever is wrong with it, everything can be read anew
        return found

    def _keep(self, site: str, months: dict[str, tuple[Sequence[DayMark], BucketColumns]]) -> None:
        """Keep months for the next time; where that is not possible the next time takes as long as this one."""
        if self._path is None:
            return
        try:
            with closing(_opened(self._path, "rwc")) as db:
                db.execute(f"PRAGMA page_size = {_PAGE_BYTES}")  # counts for a new file only
                with transaction(db):
                    _formed(db)
                    for month, (days, found) in months.items():
                        _put(db, site, month, days, found)
        except sqlite3.OperationalError:
            return  # a full or read-only disk, or another reader at the same: the answer is right all the same
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            # It is no database, or a spoilt one: so much so that what is wrong with it is told in no letters.
            with suppress(OSError):
                self._path.unlink()


class _Month(NamedTuple):
    """What is kept of a month: by where each day begins its mark, and columns."""

    marks: dict[int, int]
    parts: dict[str, Column]


def _month(mark: DayMark) -> str:
    return mark.day.isoformat()[:7]


def _opened(path: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=_BUSY_S, isolation_level=None
    )


def _formed(db: sqlite3.Connection) -> None:
    """Make the tables, in the place of whatever else the file holds."""
    if db.execute("PRAGMA user_version").fetchone() == (_FORM,):
        return
    for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
        db.execute(f'DROP TABLE "{table}"')
    for statement in _SCHEMA:
        db.execute(statement)
    db.execute(f"PRAGMA user_version = {_FORM}")


def _put(
    db: sqlite3.Connection, site: str, month: str, days: Sequence[DayMark], found: BucketColumns
) -> None:
    """Write a month in the place of what was kept of it."""
    marks = np.array([(mark.start_ms, mark.check) for mark in days], np.int64).T
    parts = dict(_parts(found))
    db.execute(
        "INSERT OR REPLACE INTO month VALUES (?, ?, ?, ?)",
        (site, month, marks.tobytes(), _summed("\n".join(parts).encode())),
    )
    db.execute("DELETE FROM part WHERE site = ? AND month = ?", (site, month))
    db.executemany(
        "INSERT INTO part VALUES (?, ?, ?, ?)",
        ((site, month, name, _packed(column)) for name, column in parts.items()),
    )


def _stale(days: Sequence[DayMark], held: _Month | None) -> list[DayMark]:
    """Return the days that are not kept as the ledger has them now."""
    return [mark for mark in days if held is None or held.marks.get(mark.start_ms) != mark.check]


def _measured(channel: str) -> str:
    return f"{channel} measured"


def _parts(found: BucketColumns) -> Iterator[tuple[str, Column]]:
    """Yield the columns of buckets, each with its name; what holds nothing is left out."""
    yield _BEGIN, found.start_ms
    yield _LENGTH, found.end_ms - found.start_ms
    yield from ((name, column) for name, column in found.totals.items() if column.any())
    for channel, column in found.valid_ms.items():
        if column.any():
            yield channel, found.mean[channel]
            yield _measured(channel), column


def _buckets(
    parts: dict[str, Column], names: Iterable[str], channels: Iterable[str], timed: Iterable[str]
) -> BucketColumns:
    """Return columns of buckets as their parts tell; what has no part holds nothing."""
    start_ms = parts[_BEGIN]
    nothing, unknown = np.zeros(start_ms.size, np.int64), np.full(start_ms.size, np.nan)
    return BucketColumns(
        start_ms,
        start_ms + parts[_LENGTH],
        {name: parts.get(name, nothing) for name in names},
        {name: parts.get(_measured(name), nothing) for name in timed},
        {name: parts.get(name, unknown) for name in channels},
    )


def _joined(parts: Sequence[BucketColumns], names: Iterable[str], channels: Sequence[str]) -> BucketColumns:
    """Return buckets one after the other."""

    def joined(columns: Iterable[Column], kind: type) -> Any:
        return np.concatenate([np.zeros(0, kind), *columns])

    return BucketColumns(
        joined((part.start_ms for part in parts), np.int64),
        joined((part.end_ms for part in parts), np.int64),
        {name: joined((part.totals[name] for part in parts), np.int64) for name in names},
        {name: joined((part.valid_ms[name] for part in parts), np.int64) for name in channels},
        {name: joined((part.mean[name] for part in parts), np.float64) for name in channels},
    )


def _chosen(found: BucketColumns, rows: NDArray[np.bool_] | Whole) -> BucketColumns:
    """Return some buckets."""
    return BucketColumns(
        found.start_ms[rows],
        found.end_ms[rows],
        {name: column[rows] for name, column in found.totals.items()},
        {name: column[rows] for name, column in found.valid_ms.items()},
        {name: column[rows] for name, column in found.mean.items()},
    )


def _packed(column: Column) -> bytes:
    """Return a column in as few bytes a number as hold it; the same numbers come back."""
    if column.dtype == np.float64:
        return _summed(_HEAD.pack(b"d", 0) + column.tobytes())
    least, most = (int(column.min()), int(column.max())) if column.size else (0, 0)
    for letter, limit in _UNSIGNED:
        if most - least <= limit:
            return _summed(_HEAD.pack(letter.encode(), least) + (column - least).astype(letter).tobytes())
    return _summed(_HEAD.pack(b"q", 0) + column.tobytes())


def _unpacked(body: bytes) -> Column:
    packed = _checked(body)
    letter, base = _HEAD.unpack_from(packed)
    held = np.frombuffer(packed, _TYPES[letter], offset=_HEAD.size)
    if letter == b"d":
        return held
    found = held.astype(np.int64)
    if base:
        found += base
    return found


def _summed(body: bytes) -> bytes:
    """Return what is kept with its check sum before it."""
    return crc32(body).to_bytes(_SUM_BYTES, "big") + body


def _checked(body: bytes) -> memoryview:
    """Return what stands behind a check sum; ValueError where the two do not fit."""
    rest = memoryview(body)[_SUM_BYTES:]
    if crc32(rest) != int.from_bytes(body[:_SUM_BYTES], "big"):
        raise ValueError("what was kept is spoilt")
    return rest
