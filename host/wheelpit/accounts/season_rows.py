"""Reads ten-minute means from the ledger, with past months from what is kept beside it, so that years open at once."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from wheelpit.accounts.tenminutes import CHANNELS, STEP_MS, TOTALS, DaySpan, TenMinutes, empty_rows
from wheelpit.store.choose import KEPT as FILE
from wheelpit.store.kept import Kept

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from wheelpit.store.reading import Reading

    Whole = NDArray[np.int64]

__all__ = ["FILE", "read_ten_minutes"]


def read_ten_minutes(
    reader: Reading,
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
        keep: Where months are kept between calls (`FILE` in the state folder); None to keep none.
        progress: Is told how many days of how many had to be read anew.

    """
    kept = None if keep is None else Kept(reader, keep)
    told = (reader.day_marks if kept is None else kept.days)(site, first, last)
    marks = [mark for mark in told if (first or date.min) <= mark.day <= (last or date.max)]
    if not marks:
        return TenMinutes(np.zeros(0, np.int64), empty_rows(0), ())
    starts = np.array([mark.start_ms for mark in marks], np.int64)
    ends = np.array([mark.end_ms for mark in marks], np.int64)
    start_ms, begins, uptos = _row_times(starts, ends)
    columns = empty_rows(start_ms.size)
    parts = (
        [reader.bucket_columns(site, marks[0].start_ms, marks[-1].end_ms, TOTALS, CHANNELS)]
        if kept is None
        else kept.months(site, told, TOTALS, CHANNELS, measured=False, progress=progress)
    )
    for part in parts:
        at: slice | Whole
        inside: slice | NDArray[np.bool_]
        begin = int(np.searchsorted(start_ms, part.start_ms[0])) if part.start_ms.size else 0
        upto = begin + part.start_ms.size
        if np.array_equal(start_ms[begin:upto], part.start_ms):  # a row for each, in order
            at, inside = slice(begin, upto), slice(None)
        else:
            day = np.searchsorted(starts, part.start_ms, "right") - 1
            inside = (day >= 0) & (part.start_ms < ends[day])
            at = (begins[day] + (part.start_ms - starts[day]) // STEP_MS)[inside]
        for name, column in (*part.totals.items(), *part.mean.items()):
            columns[name][at] = column[inside]
    days = tuple(
        DaySpan(mark.day, begin, upto)
        for mark, begin, upto in zip(marks, begins.tolist(), uptos.tolist(), strict=True)
    )
    return TenMinutes(start_ms, columns, days)


def _row_times(starts: Whole, ends: Whole) -> tuple[Whole, Whole, Whole]:
    """Return where each row begins [Unix ms], and for each day its first row and the one after its last.

    Days without any record between two others are rows, too, in which nothing was measured.
    """
    rows = -((starts - ends) // STEP_MS)
    missing = np.maximum(starts[1:] - ends[:-1], 0) // STEP_MS
    begins = np.concatenate((np.zeros(1, np.int64), np.cumsum(rows[:-1] + missing)))
    uptos = begins + rows
    gaps = np.flatnonzero(missing)
    order = np.argsort(np.concatenate((begins, uptos[gaps])), kind="stable")
    lengths = np.concatenate((rows, missing[gaps]))[order]
    # Each piece counts on from where it begins.
    firsts = np.concatenate((starts - STEP_MS * begins, ends[gaps] - STEP_MS * uptos[gaps]))[order]
    start_ms = np.repeat(firsts, lengths) + STEP_MS * np.arange(int(uptos[-1]))
    return start_ms, begins, uptos
