"""Energy books: what each local day gave, how much of it was measured, and what cannot be said.

Energies come from the nodes' exact totals and are never filled in: what was not measured lowers the coverage.
A figure that the fitted channels cannot support is None. Efficiency is a ratio of energies over the same time,
never a mean of ratios. How sure an energy is follows from the sensors of its day (`wheelpit.accounts.uncertainty`).

    books = day_books(reader, "sallow-ghyll", plant)
    year = total_energy(books)     # a Figure: value and u in Wh, coverage of the whole period
"""

from __future__ import annotations

import math
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
    from wheelpit.plant.description import Plant
    from wheelpit.store.columns import BucketColumns, DayColumns
    from wheelpit.store.reading import Reading

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
    days = reader.day_columns(site, first, last)
    shelf = _Shelf(days, None if plant is None else Trusts(plant), now_ms)
    size = len(days.days)
    found: list[DayBook] = []
    for at in range(0, size, _BLOCK_DAYS):
        block = range(at, min(at + _BLOCK_DAYS, size))
        columns = None
        if details:
            from_ms, to_ms = int(days.start_ms[block[0]]), int(days.end_ms[block[-1]])
            columns = reader.bucket_columns(site, from_ms, to_ms, _COLUMNS)
        found += [shelf.book(row, columns) for row in block]
        if progress is not None:
            progress(len(found), size)
    return found


def total_energy(books: Sequence[DayBook]) -> Figure | None:
    """Return the energy of several days [Wh] with its uncertainty; None where it cannot be said of any of them.

    Errors of gain and offset are the same on all days and add up. The coverage is that of the whole time from the first
    day to the last, days without a record included. It is a lower bound where one of its days is.
    """
    told = [(book, book.energy) for book in books if book.energy is not None]
    if not told:
        return None
    whole = total(_uncertain(energy.value, book.budget) for book, energy in told)
    measured_ms = sum(book.coverage * (book.end_ms - book.start_ms) for book in books)
    span_ms = books[-1].end_ms - books[0].start_ms
    bound = any(energy.origin == "lower-bound" for _, energy in told)
    notes = sorted({energy.note for _, energy in told} - {""})
    return whole.figure(
        "lower-bound" if bound else "measured", min(1.0, measured_ms / span_ms), "; ".join(notes)
    )


def _uncertain(wh: float, budget: tuple[tuple[str, float], ...]) -> Uncertain:
    """Return an energy [Wh] as it was before it became a book's."""
    parts = dict(budget)
    noise = parts.pop(_READINGS, 0.0)
    return Uncertain(wh, parts, noise)


class _Shelf:
    """Days to make books of; what takes no look at a single day is worked out for all of them together.

    Args:
        days: The days.
        trusts: How sure the plant's sensors were; None where it is not known.
        now_ms: The time of day.
    """

    def __init__(self, days: DayColumns, trusts: Trusts | None, now_ms: int) -> None:
        self._days = days.days
        self._trusts = trusts
        self._now_ms = now_ms
        self._first, self._last = (
            [] if trusts is None else trusts.of(at_ms) for at_ms in (days.start_ms, days.end_ms - 1)
        )
        self._start_ms, self._end_ms = days.start_ms.tolist(), days.end_ms.tolist()
        self._span_ms, self._resolution_ms = days.span_ms.tolist(), days.longest_record_ms.tolist()
        self._valid_ms: dict[Basis, list[int]] = {
            basis: days.total(f"{basis}_valid_ms").tolist() for basis in _ENERGY
        }
        self._energy_mwh: dict[Basis, list[int]] = {
            basis: days.total(name).tolist() for basis, name in _ENERGY.items()
        }
        self._charging_h: dict[Basis, list[float | None]] = {
            basis: _measured(days, "charging_ms", f"{basis}_valid_ms", _MS_PER_H) for basis in _ENERGY
        }
        self._revolutions = _measured(days, "wheel_mrev", "wheel_valid_ms", 1000)
        self._turning_h = _measured(days, "turning_ms", "wheel_valid_ms", _MS_PER_H)
        self._diverted_wh = _measured(days, "dump_mwh", "dump_valid_ms", 1000)
        self._back_wh = _measured(days, "charge_back_mwh", "charge_valid_ms", 1000)
        self._efficiency = _efficiency_of_days(days)
        volts = days.mean.get("battery_v")
        self._mean_v: list[float] = [math.nan] * len(days.days) if volts is None else volts.tolist()

    def book(self, row: int, columns: BucketColumns | None) -> DayBook:
        """Return the book of a day; with its ten minutes also what takes a look into it."""
        start_ms, end_ms, now_ms = self._start_ms[row], self._end_ms[row], self._now_ms
        plant = self._first[row].plant if self._first else None
        basis, lower_bound, note = self._basis(row, plant)
        energy_mwh = None if basis is None else self._energy_mwh[basis][row]
        coverage = self._coverage(row, basis)
        energy = None if basis is None else self._energy(row, basis)
        efficiency, peak_w, gaps = self._efficiency[row], None, None
        if columns is not None:
            low, high = np.searchsorted(columns.start_ms, [start_ms, end_ms])
            of_day = {name: column[low:high] for name, column in columns.totals.items()}
            starts, ends = columns.start_ms[low:high], columns.end_ms[low:high]
            efficiency = _efficiency(of_day)
            until_ms = min(end_ms, max(now_ms, start_ms))
            if basis is not None:
                peak_w = _peak(of_day, basis, ends - starts)
                gaps = gaps_of(starts, ends, of_day[f"{basis}_valid_ms"], start_ms, until_ms)
        return DayBook(
            day=self._days[row],
            start_ms=start_ms,
            end_ms=end_ms,
            partial=start_ms <= now_ms < end_ms,
            energy_mwh=energy_mwh,
            energy_wh=None if energy_mwh is None else energy_mwh / 1000,
            basis=basis,
            lower_bound=lower_bound,
            note=note,
            coverage=coverage,
            revolutions=self._revolutions[row],
            turning_h=self._turning_h[row],
            charging_h=None if basis is None else self._charging_h[basis][row],
            peak_w=peak_w,
            diverted_wh=self._diverted_wh[row],
            back_wh=self._back_wh[row],
            electrical_efficiency=efficiency,
            resolution_ms=self._resolution_ms[row],
            energy=None
            if energy is None
            else energy.figure("lower-bound" if lower_bound else "measured", coverage, note),
            budget=() if energy is None else (*energy.parts.items(), (_READINGS, energy.noise)),
            gaps=gaps,
            changes=() if self._trusts is None else self._trusts.changed(start_ms, end_ms),
        )

    def _basis(self, row: int, plant: Plant | None) -> tuple[Basis | None, bool, str]:
        """Return what the energy of a day is measured by, whether that is a lower bound, and why."""
        if self._valid_ms["charge"][row] > 0:
            before = plant is not None and plant.controller.topology == "diversion-in-controller"
            return "charge", before, DIVERTED_BEFORE if before else ""
        if self._valid_ms["battery"][row] > 0:
            if plant is not None and plant.other_sources:
                return None, False, OTHER_SOURCES
            return "battery", True, BATTERY_ONLY
        return None, False, NOT_MEASURED

    def _coverage(self, row: int, basis: Basis | None) -> float:
        """Return the measured share of a day, of today's part that has passed.

        Records of a node whose clock is a little ahead of the host's may end after "now"; that time has passed too.
        """
        if basis is None:
            return 0.0
        start_ms, end_ms = self._start_ms[row], self._end_ms[row]
        passed_ms: int = end_ms - start_ms
        if start_ms <= self._now_ms < end_ms:
            passed_ms = max(self._now_ms - start_ms, self._span_ms[row], 1)
        return min(1.0, self._valid_ms[basis][row] / passed_ms)

    def _energy(self, row: int, basis: Basis) -> Uncertain | None:
        """Return the day's energy [Wh] with what makes it uncertain; of the day of a change by the less sure sensors."""
        if not self._first:
            return None
        wh = self._energy_mwh[basis][row] / 1000
        hours = self._valid_ms[basis][row] / _MS_PER_H
        first, last = self._first[row], self._last[row]
        told = [
            one.energy(basis, wh, hours=hours, mean_v=self._voltage(row, one.plant))
            for one in ((first,) if first is last else (first, last))
            if one.knows(basis)
        ]
        return max(told, key=lambda one: one.u) if len(told) > 1 else next(iter(told), None)

    def _voltage(self, row: int, plant: Plant) -> float:
        """Return a day's mean voltage [V]; the bank's nominal one where the ledger has none."""
        mean_v = self._mean_v[row]
        return plant.battery.nominal_v if math.isnan(mean_v) else mean_v


def _measured(days: DayColumns, name: str, valid: str, per_unit: int) -> list[float | None]:
    """Return a total of each day in its unit, None where it was not measured at all."""
    if name not in days.totals:
        return [None] * len(days.days)
    known = days.told[name] & (days.total(valid) != 0)
    amounts = (days.totals[name] / per_unit).tolist()
    return [amount if one else None for amount, one in zip(amounts, known.tolist(), strict=True)]


def _peak(of_day: dict[str, np.ndarray], basis: Basis, length_ms: np.ndarray) -> float | None:
    valid_ms = of_day[f"{basis}_valid_ms"]
    enough = valid_ms >= _PEAK_SHARE * length_ms
    if not enough.any():
        return None
    return float((of_day[_ENERGY[basis]][enough] * 3600 / valid_ms[enough]).max())


def _efficiency_of_days(days: DayColumns) -> list[float | None]:
    """Return charge over rectified energy of each whole day, if both were measured for the same time."""
    charge_ms, rectified_ms = days.total("charge_valid_ms"), days.total("rectified_valid_ms")
    given, taken = days.total("charge_mwh"), days.total("rectified_mwh")
    same = np.abs(charge_ms - rectified_ms) <= _SAME_TIME * np.maximum(charge_ms, rectified_ms)
    known = (taken != 0) & same
    shares = (given / np.where(known, taken, 1)).tolist()
    return [share if one else None for share, one in zip(shares, known.tolist(), strict=True)]


def _efficiency(of_day: dict[str, np.ndarray]) -> float | None:
    """Return charge over rectified energy of the buckets in which both were measured for the same time."""
    charge_ms, rectified_ms = of_day["charge_valid_ms"], of_day["rectified_valid_ms"]
    longest = np.maximum(charge_ms, rectified_ms)
    same = (longest > 0) & (np.abs(charge_ms - rectified_ms) <= _SAME_TIME * longest)
    taken = int(of_day["rectified_mwh"][same].sum())
    return int(of_day["charge_mwh"][same].sum()) / taken if taken else None
