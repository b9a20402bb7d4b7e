"""Energy books: what each local day gave, how much of it was measured, and what cannot be said.

Energies come from the nodes' exact totals and are never filled in: what was not measured lowers the coverage.
A figure that the fitted channels cannot support is None. Efficiency is a ratio of energies over the same time,
never a mean of ratios.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from wheelpit.plant.description import Plant
    from wheelpit.store.columns import BucketColumns
    from wheelpit.store.reader import LedgerReader
    from wheelpit.store.rows import DayRow

Basis = Literal["charge", "battery"]

_MS_PER_H: Final = 3_600_000
_BLOCK_DAYS: Final = 92  # buckets are read for so many days at a time
_ENERGY: Final[dict[Basis, str]] = {"charge": "charge_mwh", "battery": "battery_in_mwh"}
_COLUMNS: Final = (
    "charge_mwh",
    "charge_valid_ms",
    "battery_in_mwh",
    "battery_valid_ms",
    "rectified_mwh",
    "rectified_valid_ms",
)
# A bucket's mean power counts for the peak when at least half of the bucket was measured.
_PEAK_SHARE: Final = 0.5
# Both sides of an efficiency must have been measured for the same time, to one part in a hundred.
_SAME_TIME: Final = 0.01

BATTERY_ONLY: Final = "a lower bound: only battery_a is measured, what the loads take at once is not in it"
DIVERTED_BEFORE: Final = (
    "a lower bound: the controller diverts before the shunt of charge_a when the battery is full"
)
OTHER_SOURCES: Final = (
    "not known: battery_a says nothing about the wheel while another source feeds the battery"
)
NOT_MEASURED: Final = "not measured: it takes battery_v together with charge_a or battery_a"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayBook:
    """The books of one local day of a site.

    Attributes:
        day: the date.
        start_ms, end_ms: its first instant and the first of the next day [Unix ms].
        partial: the day is not over; coverage speaks of the part that has passed.
        energy_mwh: energy given to the battery node [mWh], exact; None where it cannot be said.
        energy_wh: the same [Wh].
        basis: what it was measured by; None where it cannot be said.
        lower_bound: it was at least that much.
        note: why it is a lower bound or cannot be said; empty otherwise.
        coverage: share of the day in which voltage and current were measured together, 0 to 1.
        revolutions: of the wheel; None where its speed was not measured.
        turning_h, charging_h: time turning, and with charging current [h]; None where not measured.
        peak_w: highest mean power over ten minutes [W], of buckets at least half measured.
        diverted_wh: energy into the diversion load [Wh]; None where not measured.
        back_wh: energy that flowed back through the charge shunt [Wh]; None where not measured.
        electrical_efficiency: charge energy over energy out of the bridge, where both were measured over the
            same time; None where they were not.
        resolution_ms: the longest record that reaches into the day [ms].

    """

    day: date
    start_ms: int
    end_ms: int
    partial: bool
    energy_mwh: int | None
    energy_wh: float | None
    basis: Basis | None
    lower_bound: bool
    note: str
    coverage: float
    revolutions: float | None
    turning_h: float | None
    charging_h: float | None
    peak_w: float | None
    diverted_wh: float | None
    back_wh: float | None
    electrical_efficiency: float | None
    resolution_ms: int


def day_books(
    reader: LedgerReader,
    site: str,
    plant: Plant | None,
    first: date | None = None,
    last: date | None = None,
    *,
    now_ms: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[DayBook]:
    """Return the books of the days that have records, from `first` to `last`, both included; None is no limit.

    Args:
        reader: the ledger.
        site: the site's id.
        plant: its description, if it is known: it says whether another source feeds the battery and where the
            controller diverts.
        first: the first day.
        last: the last day.
        now_ms: the time of day, by which today is the part of it that has passed; the host's clock if None.
        progress: is told how many days of how many are done.

    """
    now_ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    rows = reader.days(site, first, last)
    found: list[DayBook] = []
    for at in range(0, len(rows), _BLOCK_DAYS):
        block = rows[at : at + _BLOCK_DAYS]
        columns = reader.bucket_columns(site, block[0].start_ms, block[-1].end_ms, _COLUMNS)
        found += [_book(row, plant, columns, now_ms) for row in block]
        if progress is not None:
            progress(len(found), len(rows))
    return found


def _book(row: DayRow, plant: Plant | None, columns: BucketColumns, now_ms: int) -> DayBook:
    totals = row.totals
    basis, lower_bound, note = _basis(totals, plant)
    energy_mwh = None if basis is None else totals.get(_ENERGY[basis], 0)
    low, high = np.searchsorted(columns.start_ms, [row.start_ms, row.end_ms])
    of_day = {name: column[low:high] for name, column in columns.totals.items()}
    length_ms = columns.end_ms[low:high] - columns.start_ms[low:high]
    return DayBook(
        day=row.day,
        start_ms=row.start_ms,
        end_ms=row.end_ms,
        partial=row.start_ms <= now_ms < row.end_ms,
        energy_mwh=energy_mwh,
        energy_wh=None if energy_mwh is None else energy_mwh / 1000,
        basis=basis,
        lower_bound=lower_bound,
        note=note,
        coverage=_coverage(row, basis, now_ms),
        revolutions=_measured(totals, "wheel_mrev", "wheel_valid_ms", 1000),
        turning_h=_measured(totals, "turning_ms", "wheel_valid_ms", _MS_PER_H),
        charging_h=_measured(totals, "charging_ms", f"{basis}_valid_ms", _MS_PER_H),
        peak_w=None if basis is None else _peak(of_day, basis, length_ms),
        diverted_wh=_measured(totals, "dump_mwh", "dump_valid_ms", 1000),
        back_wh=_measured(totals, "charge_back_mwh", "charge_valid_ms", 1000),
        electrical_efficiency=_efficiency(of_day),
        resolution_ms=row.longest_record_ms,
    )


def _basis(totals: dict[str, int], plant: Plant | None) -> tuple[Basis | None, bool, str]:
    """Return what the energy of a day is measured by, whether that is a lower bound, and why."""
    if totals.get("charge_valid_ms", 0) > 0:
        before = plant is not None and plant.controller.topology == "diversion-in-controller"
        return "charge", before, DIVERTED_BEFORE if before else ""
    if totals.get("battery_valid_ms", 0) > 0:
        if plant is not None and plant.other_sources:
            return None, False, OTHER_SOURCES
        return "battery", True, BATTERY_ONLY
    return None, False, NOT_MEASURED


def _coverage(row: DayRow, basis: Basis | None, now_ms: int) -> float:
    """Return the measured share of a day, of today's part that has passed.

    Records of a node whose clock is a little ahead of the host's may end after "now"; that time has passed too.
    """
    if basis is None:
        return 0.0
    passed_ms = row.end_ms - row.start_ms
    if row.start_ms <= now_ms < row.end_ms:
        passed_ms = max(now_ms - row.start_ms, row.span_ms, 1)
    return min(1.0, row.totals[f"{basis}_valid_ms"] / passed_ms)


def _measured(totals: dict[str, int], name: str, valid: str, per_unit: int) -> float | None:
    """Return a total in its unit, or None where it was not measured at all."""
    if name not in totals or totals.get(valid, 0) == 0:
        return None
    return totals[name] / per_unit


def _peak(of_day: dict[str, np.ndarray], basis: Basis, length_ms: np.ndarray) -> float | None:
    valid_ms = of_day[f"{basis}_valid_ms"]
    enough = valid_ms >= _PEAK_SHARE * length_ms
    if not enough.any():
        return None
    return float((of_day[_ENERGY[basis]][enough] * 3600 / valid_ms[enough]).max())


def _efficiency(of_day: dict[str, np.ndarray]) -> float | None:
    """Return charge over rectified energy of the buckets in which both were measured for the same time."""
    charge_ms, rectified_ms = of_day["charge_valid_ms"], of_day["rectified_valid_ms"]
    longest = np.maximum(charge_ms, rectified_ms)
    same = (longest > 0) & (np.abs(charge_ms - rectified_ms) <= _SAME_TIME * longest)
    taken = int(of_day["rectified_mwh"][same].sum())
    return int(of_day["charge_mwh"][same].sum()) / taken if taken else None
