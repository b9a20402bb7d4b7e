"""Reads ten-minute means from the ledger, with past months from what is kept beside it, so that years open at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wheelpit.accounts.tenminutes import CHANNELS, STEP_MS, TOTALS, DaySpan, TenMinutes, empty_rows
from wheelpit.store.choose import KEPT as FILE
from wheelpit.store.kept import Kept

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date
    from pathlib import Path

    from wheelpit.store.reader import LedgerReader

__all__ = ["FILE", "read_ten_minutes"]


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
        keep: Where months are kept between calls (`FILE` in the state folder); None to keep none.
        progress: Is told how many days of how many had to be read anew.

    """
    marks = reader.day_marks(site, first, last)
    if not marks:
        return TenMinutes(np.zeros(0, np.int64), empty_rows(0), ())
    starts = np.array([mark.start_ms for mark in marks], np.int64)
    ends = np.array([mark.end_ms for mark in marks], np.int64)
    rows = -((starts - ends) // STEP_MS)
    # Days without any record between two others are rows in which nothing was measured.
    missing = np.maximum(starts[1:] - ends[:-1], 0) // STEP_MS
    begins = np.concatenate((np.zeros(1, np.int64), np.cumsum(rows[:-1] + missing)))
    size = int(begins[-1] + rows[-1])
    start_ms, columns = np.empty(size, np.int64), empty_rows(size)
    uptos = begins + rows
    for begin, upto, from_ms in zip(begins.tolist(), uptos.tolist(), starts.tolist(), strict=True):
        start_ms[begin:upto] = from_ms + STEP_MS * np.arange(upto - begin)
    for place in np.flatnonzero(missing).tolist():
        begin, upto = int(uptos[place]), int(begins[place + 1])
        start_ms[begin:upto] = ends[place] + STEP_MS * np.arange(upto - begin)
    for part in Kept(reader, keep).months(site, marks, TOTALS, CHANNELS, progress=progress):
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
