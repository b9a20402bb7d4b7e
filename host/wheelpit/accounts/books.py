"""Energy books: what each local day gave, how much of it was measured, and what cannot be said.

Energies come from the nodes' exact totals and are never filled in: what was not measured lowers the coverage.
A figure that the fitted channels cannot support is None. Efficiency is a ratio of energies over the same time,
never a mean of ratios. How sure an energy is follows from the sensors of its day (`wheelpit.accounts.uncertainty`).

    books = day_books(reader, "sallow-ghyll", plant)
    year = total_energy(books)     # a Figure: value and u in Wh, coverage of the whole period
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from wheelpit.accounts.gaps import Gap, gaps_of
from wheelpit.accounts.uncertainty import Trusts, Uncertain, total

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from wheelpit.accounts.figure import Figure
    from wheelpit.accounts.uncertainty import Trust
    from wheelpit.plant.description import Plant
    from wheelpit.store.columns import BucketColumns
    from wheelpit.store.reading import Reading
    from wheelpit.store.rows import BucketRow, DayRow

Basis = Literal["charge", "battery"]

_READINGS: Final = "readings"
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
        energy: the energy [Wh] with its uncertainty, of the measured part of the day; None where it cannot be said.
        budget: what each source adds to that uncertainty [Wh], signed; "readings" is what averages out.
        gaps: when something was not measured; None where nobody looked.
        changes: what of the plant was changed on that day.

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
    energy: Figure | None = None
    budget: tuple[tuple[str, float], ...] = ()
    gaps: tuple[Gap, ...] | None = None
    changes: tuple[str, ...] = ()


def day_books(
    reader: Reading,
    site: str,
    plant: Plant | None,
    first: date | None = None,
    last: date | None = None,
    *,
    now_ms: int | None = None,
    details: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> list[DayBook]:
    """Return the books of the days that have records, from `first` to `last`, both included; None is no limit.

    Args:
        reader: the ledger.
        site: the site's id.
        plant: its description, if it is known: it says whether another source feeds the battery and where the
            controller diverts, and how sure its sensors are, also those that were changed since.
        first: the first day.
        last: the last day.
        now_ms: the time of day, by which today is the part of it that has passed; the host's clock if None.
        details: whether to look into each day for its peak, its gaps and an efficiency over the very same time; without,
            ten years open at once, and what takes a look is None.
        progress: is told how many days of how many are done.

    """
    now_ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    rows = reader.days(site, first, last)
    trusts = None if plant is None else Trusts(plant)
    found: list[DayBook] = []
    for at in range(0, len(rows), _BLOCK_DAYS):
        block = rows[at : at + _BLOCK_DAYS]
        columns = None
        if details:
            columns = reader.bucket_columns(site, block[0].start_ms, block[-1].end_ms, _COLUMNS)
        found += [_book(row, trusts, columns, now_ms) for row in block]
        if progress is not None:
            progress(len(found), len(rows))
    return found


def total_energy(books: Sequence[DayBook]) -> Figure | None:
    """Return the energy of several days [Wh] with its uncertainty; None where it cannot be said of any of them.

    Errors of gain and offset are the same on all days and add up. The coverage is that of the whole time from the first
    day to the last, days without a record included. It is a lower bound where one of its days is.
    """
    told = [(book, book.energy) for book in books if book.energy is not None]
    if not told:
        return None
    whole = total(
        Uncertain(
            energy.value,
            {source: part for source, part in book.budget if source != _READINGS},
            dict(book.budget).get(_READINGS, 0.0),
        )
        for book, energy in told
    )
    measured_ms = sum(book.coverage * (book.end_ms - book.start_ms) for book in books)
    span_ms = books[-1].end_ms - books[0].start_ms
    bound = any(energy.origin == "lower-bound" for _, energy in told)
    notes = sorted({energy.note for _, energy in told} - {""})
    return whole.figure(
        "lower-bound" if bound else "measured", min(1.0, measured_ms / span_ms), "; ".join(notes)
    )


def _book(row: DayRow, trusts: Trusts | None, columns: BucketColumns | None, now_ms: int) -> DayBook:
    totals = row.totals
    trust = None if trusts is None else trusts.at(row.start_ms)
    basis, lower_bound, note = _basis(totals, None if trust is None else trust.plant)
    energy_mwh = None if basis is None else totals.get(_ENERGY[basis], 0)
    coverage = _coverage(row, basis, now_ms)
    energy = _energy(row, basis, trusts, trust)
    peak_w = efficiency = gaps = None
    if columns is None:
        efficiency = _efficiency_of_day(totals)
    else:
        low, high = np.searchsorted(columns.start_ms, [row.start_ms, row.end_ms])
        of_day = {name: column[low:high] for name, column in columns.totals.items()}
        starts, ends = columns.start_ms[low:high], columns.end_ms[low:high]
        efficiency = _efficiency(of_day)
        until_ms = min(row.end_ms, max(now_ms, row.start_ms))
        if basis is not None:
            peak_w = _peak(of_day, basis, ends - starts)
            gaps = gaps_of(starts, ends, of_day[f"{basis}_valid_ms"], row.start_ms, until_ms)
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
        coverage=coverage,
        revolutions=_measured(totals, "wheel_mrev", "wheel_valid_ms", 1000),
        turning_h=_measured(totals, "turning_ms", "wheel_valid_ms", _MS_PER_H),
        charging_h=_measured(totals, "charging_ms", f"{basis}_valid_ms", _MS_PER_H),
        peak_w=peak_w,
        diverted_wh=_measured(totals, "dump_mwh", "dump_valid_ms", 1000),
        back_wh=_measured(totals, "charge_back_mwh", "charge_valid_ms", 1000),
        electrical_efficiency=efficiency,
        resolution_ms=row.longest_record_ms,
        energy=None
        if energy is None
        else energy.figure("lower-bound" if lower_bound else "measured", coverage, note),
        budget=() if energy is None else (*energy.parts.items(), (_READINGS, energy.noise)),
        gaps=gaps,
        changes=() if trusts is None else trusts.changed(row.start_ms, row.end_ms),
    )


def _energy(row: DayRow, basis: Basis | None, trusts: Trusts | None, trust: Trust | None) -> Uncertain | None:
    """Return the day's energy [Wh] with what makes it uncertain; of the day of a change by the less sure sensors."""
    if basis is None or trusts is None or trust is None:
        return None
    wh = row.totals.get(_ENERGY[basis], 0) / 1000
    hours = row.totals[f"{basis}_valid_ms"] / _MS_PER_H
    told = [
        one.energy(basis, wh, hours=hours, mean_v=mean_voltage(row, one.plant))
        for one in {id(one): one for one in (trust, trusts.at(row.end_ms - 1))}.values()
        if one.knows(basis)
    ]
    return max(told, key=lambda one: one.u, default=None)


def mean_voltage(row: DayRow | BucketRow, plant: Plant, channel: str = "battery_v") -> float:
    """Return a period's mean voltage [V]; the bank's nominal one where the ledger has none."""
    stat = row.channels.get(channel)
    return plant.battery.nominal_v if stat is None else stat.mean


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


def _efficiency_of_day(totals: dict[str, int]) -> float | None:
    """Return charge over rectified energy of a whole day, if both were measured for the same time."""
    charge_ms, rectified_ms = totals.get("charge_valid_ms", 0), totals.get("rectified_valid_ms", 0)
    longest, taken = max(charge_ms, rectified_ms), totals.get("rectified_mwh", 0)
    if not taken or abs(charge_ms - rectified_ms) > _SAME_TIME * longest:
        return None
    return totals.get("charge_mwh", 0) / taken


def _efficiency(of_day: dict[str, np.ndarray]) -> float | None:
    """Return charge over rectified energy of the buckets in which both were measured for the same time."""
    charge_ms, rectified_ms = of_day["charge_valid_ms"], of_day["rectified_valid_ms"]
    longest = np.maximum(charge_ms, rectified_ms)
    same = (longest > 0) & (np.abs(charge_ms - rectified_ms) <= _SAME_TIME * longest)
    taken = int(of_day["rectified_mwh"][same].sum())
    return int(of_day["charge_mwh"][same].sum()) / taken if taken else None
