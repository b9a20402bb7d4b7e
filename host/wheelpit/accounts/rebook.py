"""Adds the full records of a site up anew, day by day, and compares with its books: to the last unit of every total."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.contract.names import TOTALS
from wheelpit.store.days import LocalDays
from wheelpit.store.packing import split_in_proportion

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from numpy.typing import NDArray

    from wheelpit.store.reading import Reading
    from wheelpit.store.recordcolumns import RecordColumns
    from wheelpit.store.rows import DayRow

_BLOCK_DAYS: Final = 31
RECORDS: Final = "records"


def rebooked(
    reader: Reading,
    site: str,
    days: list[DayRow],
    *,
    progress: Callable[[int, int], None] | None = None,
) -> list[dict[str, int]]:
    """Return the totals of some days, added up from the full records alone; "records" is how many ended in each.

    Args:
        reader: The ledger.
        site: The site's id.
        days: The days, in order.
        progress: Is told how many days of how many are done.

    """
    local = LocalDays(reader.time_zone(site))
    found: list[dict[str, int]] = [{} for _ in days]
    for at in range(0, len(days), _BLOCK_DAYS):
        block = days[at : at + _BLOCK_DAYS]
        starts = np.array([day.start_ms for day in block], np.int64)
        ends = np.array([day.end_ms for day in block], np.int64)
        for part in reader.record_columns(site, block[0].start_ms, block[-1].end_ms, totals=tuple(TOTALS)):
            _add(part, starts, ends, found[at : at + _BLOCK_DAYS], local)
        if progress is not None:
            progress(min(at + _BLOCK_DAYS, len(days)), len(days))
    return found


def _add(
    part: RecordColumns,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    found: list[dict[str, int]],
    local: LocalDays,
) -> None:
    place = np.searchsorted(starts, part.end_ms, "left") - 1
    inside = (place >= 0) & (part.end_ms <= ends[place])
    for day, many in zip(*np.unique(place[inside], return_counts=True), strict=True):
        found[int(day)][RECORDS] = found[int(day)].get(RECORDS, 0) + int(many)
    # Records that lie in one day; the few others are cut as the books cut them.
    whole = inside & (part.start_ms >= starts[place])
    for name, amounts in part.totals.items():
        order = np.flatnonzero(whole)
        if not order.size:
            continue
        places = place[order]
        cuts = np.concatenate(([0], np.flatnonzero(np.diff(places)) + 1))
        for day, amount in zip(
            places[cuts].tolist(), np.add.reduceat(amounts[order], cuts).tolist(), strict=True
        ):
            found[day][name] = found[day].get(name, 0) + amount
    of_start = {int(start): number for number, start in enumerate(starts.tolist())}
    for row in np.flatnonzero(~whole).tolist():
        cells = list(local.buckets(int(part.start_ms[row]), int(part.end_ms[row])))
        lengths = [
            min(high, int(part.end_ms[row])) - max(low, int(part.start_ms[row])) for _, low, high in cells
        ]
        for name, amounts in part.totals.items():
            for (day, _, _), amount in zip(
                cells, split_in_proportion(int(amounts[row]), lengths), strict=True
            ):
                number = of_start.get(local.bounds(day)[0])
                if number is not None:
                    found[number][name] = found[number].get(name, 0) + amount


def differences(
    reader: Reading,
    site: str,
    first: date | None = None,
    last: date | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[str], list[date]]:
    """Return where the records and the books of some days differ, a line each, and the days that were not compared.

    A day of which not all full records are kept cannot be added up anew.

    Args:
        reader: The ledger.
        site: The site's id.
        first: The first day, None for the first there is.
        last: The last day, None for the last there is.
        progress: Is told how many days of how many are done.

    """
    days = reader.days(site, first, last)
    lines: list[str] = []
    pruned: list[date] = []
    for day, totals in zip(days, rebooked(reader, site, days, progress=progress), strict=True):
        if totals.pop(RECORDS, 0) < day.records:
            pruned.append(day.day)
            continue
        for name in sorted(day.totals.keys() | totals.keys()):
            booked, added = day.totals.get(name, 0), totals.get(name, 0)
            if booked != added:
                lines.append(f"{day.day} {name}: the books say {booked}, its records {added}")
    return lines, pruned
