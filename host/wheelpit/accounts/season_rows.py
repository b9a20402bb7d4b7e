"""Reads ten-minute means from the ledger, day by day, and keeps each day's beside it so that years open at once.

What is kept is disposable: a day counts only while the ledger's roll-up of that day is the very one it was made from,
so a record that comes late, or a ledger that was restored, changes just the days it touches.
"""

from __future__ import annotations

import sqlite3
import zlib
from contextlib import closing
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.tenminutes import CHANNELS, COLUMNS, STEP_MS, TOTALS, DaySpan, TenMinutes, empty_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date
    from pathlib import Path

    from numpy.typing import NDArray

    from wheelpit.store.reader import LedgerReader
    from wheelpit.store.rows import DayMark

    Block = NDArray[np.float32]

FILE: Final = "season.db"
_BLOCK_DAYS: Final = 92
_BUSY_S: Final = 2.0
_FORM: Final = zlib.crc32(",".join(COLUMNS).encode())  # of a day's block; another form is another file's
_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS block (site TEXT NOT NULL, day TEXT NOT NULL, form INTEGER NOT NULL, "
    "mark INTEGER NOT NULL, body BLOB NOT NULL, PRIMARY KEY (site, day)) STRICT, WITHOUT ROWID"
)


def read_ten_minutes(
    reader: LedgerReader,
    site: str,
    first: date | None = None,
    last: date | None = None,
    *,
    keep: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> TenMinutes:
    """Return the ten-minute means of a site's days, from `first` to `last`, both included; None is no limit.

    Args:
        reader: The ledger.
        site: The site's id.
        first: The first day.
        last: The last day.
        keep: Where days are kept between calls (`FILE` in the state folder); None to keep none.
        progress: Is told how many days of how many had to be read anew.

    """
    marks = reader.day_marks(site, first, last)
    kept = _kept(keep, site, marks) if keep is not None else {}
    wanted = [mark for mark in marks if mark.day not in kept]
    fresh: dict[date, Block] = {}
    for at in range(0, len(wanted), _BLOCK_DAYS):
        part = wanted[at : at + _BLOCK_DAYS]
        fresh.update(_read(reader, site, part))
        if progress is not None:
            progress(len(fresh), len(wanted))
    if keep is not None and fresh:
        _keep(keep, site, wanted, fresh)
    return _joined(marks, kept | fresh)


def _rows_of(mark: DayMark) -> int:
    return -(-(mark.end_ms - mark.start_ms) // STEP_MS)


def _read(reader: LedgerReader, site: str, marks: Sequence[DayMark]) -> dict[date, Block]:
    found = reader.bucket_columns(site, marks[0].start_ms, marks[-1].end_ms, TOTALS, CHANNELS)
    blocks: dict[date, Block] = {}
    for mark in marks:
        low, high = np.searchsorted(found.start_ms, [mark.start_ms, mark.end_ms])
        rows = empty_rows(_rows_of(mark))
        at = (found.start_ms[low:high] - mark.start_ms) // STEP_MS
        for name in CHANNELS:
            rows[name][at] = found.mean[name][low:high]
        for name in TOTALS:
            rows[name][at] = found.totals[name][low:high]
        blocks[mark.day] = np.stack([rows[name] for name in COLUMNS])
    return blocks


def _kept(path: Path, site: str, marks: Sequence[DayMark]) -> dict[date, Block]:
    """Return the days that are kept and still true; none where the file cannot be read."""
    if not marks or not path.is_file():
        return {}
    told = {mark.day.isoformat(): mark for mark in marks}
    found: dict[date, Block] = {}
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=_BUSY_S)) as db:
            rows = db.execute(
                "SELECT day, mark, body FROM block WHERE site = ? AND form = ? AND day BETWEEN ? AND ?",
                (site, _FORM, marks[0].day.isoformat(), marks[-1].day.isoformat()),
            )
            for day, number, body in rows:
                mark = told.get(day)
                block = np.frombuffer(body, np.float32)
                if mark is not None and mark.check == number and block.size == len(COLUMNS) * _rows_of(mark):
                    found[mark.day] = block.reshape(len(COLUMNS), -1)
    except sqlite3.Error:
        return {}  # whatever is wrong with it, everything can be read anew
    return found


def _keep(path: Path, site: str, marks: Sequence[DayMark], blocks: dict[date, Block]) -> None:
    """Keep days for the next time; where that is not possible the next time takes as long as this one."""
    rows = [
        (site, mark.day.isoformat(), _FORM, mark.check, blocks[mark.day].astype(np.float32).tobytes())
        for mark in marks
    ]
    try:
        with closing(sqlite3.connect(path, timeout=_BUSY_S)) as db, db:
            db.execute(_SCHEMA)
            db.executemany("INSERT OR REPLACE INTO block VALUES (?, ?, ?, ?, ?)", rows)
    except sqlite3.Error:
        # A full or read-only disk, or another reader at the same: the answer is right all the same.
        return


def _joined(marks: Sequence[DayMark], blocks: dict[date, Block]) -> TenMinutes:
    """Return the days one after the other, with empty rows where days are missing."""
    starts: list[NDArray[np.int64]] = []
    parts: list[Block] = []
    days: list[DaySpan] = []
    size, end_ms = 0, marks[0].start_ms if marks else 0
    nothing = empty_rows(1)
    void = np.array([nothing[name][0] for name in COLUMNS], np.float32)[:, None]
    for mark in marks:
        missing = (mark.start_ms - end_ms) // STEP_MS
        if missing > 0:
            starts.append(end_ms + STEP_MS * np.arange(missing, dtype=np.int64))
            parts.append(np.repeat(void, missing, axis=1))
            size += int(missing)
        block = blocks[mark.day]
        starts.append(mark.start_ms + STEP_MS * np.arange(block.shape[1], dtype=np.int64))
        parts.append(block)
        days.append(DaySpan(mark.day, size, size + block.shape[1]))
        size += block.shape[1]
        end_ms = mark.end_ms
    if not parts:
        return TenMinutes(np.zeros(0, np.int64), empty_rows(0), ())
    table = np.concatenate(parts, axis=1)
    columns = {name: table[place] for place, name in enumerate(COLUMNS)}
    return TenMinutes(np.concatenate(starts), columns, tuple(days))
