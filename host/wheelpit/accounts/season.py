"""The year at the wheel: months, the curve of the year against the last one, duration curves, weeks, missed energy, outlook.

Energy is never filled in. Whatever is compared is compared over the same ten minutes of both years, measured in both; a
mean power speaks of the time that was measured and says how much that was.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.baselines import Baselines, Restart, flow_l_s, learn
from wheelpit.accounts.drift import Drift, drifts, not_told
from wheelpit.accounts.figure import Figure
from wheelpit.accounts.held_back import held_back, left_out
from wheelpit.accounts.missed import Missed, missed_energy
from wheelpit.accounts.season_weeks import Outlook, Week, outlook, weeks
from wheelpit.accounts.tenminutes import STEP_MS, running
from wheelpit.accounts.uncertainty import Trusts, Uncertain, total
from wheelpit.physics.duration import capacity_factor, exceeded
from wheelpit.plant.history import changes_between
from wheelpit.plant.limits import limits_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wheelpit.accounts.figure import Origin
    from wheelpit.accounts.tenminutes import DaySpan, Flags, Floats, TenMinutes
    from wheelpit.plant.description import Plant

SHARES: Final = (0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)
_H: Final = STEP_MS / 3.6e6
_ALMOST: Final = 0.95
_LEAST_CURVE: Final = 144
_UNTOLD_U: Final = 0.02  # of an energy whose sensors no plant describes
_RESTARTING: Final = (
    "belt", "converter", "alternator", "wheel", "weir", "sensor.charge_a", "sensor.battery_v", "sensor.stage_m",
    "sensor.wheel_rpm", "sensor.alternator_rpm", "sensor.shaft_nm", "sensor.rectified_v",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DayBar:
    """A day of a month's strip: its energy [Wh], None where nothing was measured, and the measured share."""

    day: dt.date
    energy_wh: float | None
    coverage: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """A calendar month: its energy [Wh], None where nothing was measured, and the strip of its days."""

    year: int
    month: int
    energy_wh: Figure | None
    coverage: float
    days: tuple[DayBar, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A period against the same days of the year before, over the ten minutes that were measured in both.

    Attributes:
        first, last: Days of this year.
        this_wh, last_wh: Energies over the shared time [Wh].
        change: The difference as a share of the year before; None where that was nothing.
        shared: The shared time as a share of the period.
        changed: What was changed at the plant between the two, in words.
        this_sum_wh, last_sum_wh: Both energies summed up day by day [Wh].

    """

    first: dt.date
    last: dt.date
    this_wh: Figure
    last_wh: Figure
    change: Figure | None
    shared: float
    changed: tuple[str, ...]
    this_sum_wh: tuple[float, ...]
    last_sum_wh: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """What a period gave. A figure that the channels cannot support is None.

    Attributes:
        first, last: The days.
        energy_wh: All energy [Wh].
        coverage: Share of the time in which it was measured.
        mean_w: Mean power over the measured time [W].
        rated_w: What the capacity factor is against [W]; None without a plant.
        capacity_factor: Energy over rated power times the measured time.
        months: In order.
        against: The last calendar year of the period so far, against the one before.
        power_curve: Power that is reached or passed for each of `SHARES` of the measured time [W].
        flow_curve: The same of the flow onto the wheel [L/s].
        weeks: Every week of which enough was measured, in order.
        missed: Energy missed by cause.
        outlook: What the next days usually bring.
        baselines: What the plant usually gives.
        drifts: What has changed for the worse.
        notes: What cannot be told, and what would tell it.

    """

    first: dt.date
    last: dt.date
    energy_wh: Figure | None
    coverage: float
    mean_w: Figure | None
    rated_w: float | None
    capacity_factor: Figure | None
    months: tuple[Month, ...]
    against: Against | None
    power_curve: tuple[float, ...] | None
    flow_curve: tuple[float, ...] | None
    weeks: tuple[Week, ...]
    missed: tuple[Missed, ...]
    outlook: Outlook | None
    baselines: Baselines | None
    drifts: tuple[Drift, ...]
    notes: tuple[str, ...]

    @property
    def best_weeks(self) -> list[Week]:
        """The three best weeks, best first."""
        return sorted(self.weeks, key=lambda week: -week.mean_w.value)[:3]

    @property
    def worst_weeks(self) -> list[Week]:
        """The three worst weeks, worst first."""
        return sorted(self.weeks, key=lambda week: week.mean_w.value)[:3]


class _Books:
    """Energies with their uncertainty over any rows."""

    def __init__(self, ten: TenMinutes, plant: Plant | None) -> None:
        self.ten = ten
        self.wh = ten.energy_wh()
        self.measured = ten.measured()
        self.wh_before, self.measured_before = running(self.wh), running(self.measured)
        self._volts = ten["battery_v"]
        self._trusts = None if plant is None else Trusts(plant)
        before = plant is not None and plant.controller.topology == "diversion-in-controller"
        self.origin: Origin = "lower-bound" if ten.basis == "battery" or before else "measured"
        blind = ten.basis == "battery" and plant is not None and bool(plant.other_sources)
        self.blind = blind or not (self.measured > 0).any()

    def of(self, begin: int, end: int, rows: Flags | None = None) -> Uncertain:
        """Return the energy of some rows [Wh], or of those of them that are flagged."""
        use = slice(begin, end)
        share, wh, volts = self.measured[use], self.wh[use], self._volts[use]
        if rows is not None:
            share, wh, volts = share[rows[use]], wh[rows[use]], volts[rows[use]]
        energy, hours = float(wh.sum()), float(share.sum()) * _H
        if self._trusts is None or not self._trusts.at(int(self.ten.start_ms[begin])).knows(self.ten.basis):
            return Uncertain(energy, {"sensors": _UNTOLD_U * energy})
        known = np.isfinite(volts) & (share > 0)
        mean_v = float(np.average(volts[known], weights=share[known])) if known.any() else 0.0
        trust = self._trusts.at(int(self.ten.start_ms[begin]))
        return trust.energy(self.ten.basis, energy, hours=hours, mean_v=mean_v)

    def coverage(self, begin: int, end: int) -> float:
        """Return the measured share of some rows."""
        return float(self.measured[begin:end].mean()) if end > begin else 0.0


def season(
    ten: TenMinutes,
    plant: Plant | None,
    first: dt.date | None = None,
    last: dt.date | None = None,
    *,
    restarts: tuple[Restart, ...] = (),
    raked_ms: Sequence[int] = (),
    today: dt.date | None = None,
) -> Season | None:
    """Work out a season; None where there is no day in it.

    Args:
        ten: All the rows there are: earlier years are compared with, and help to know what is usual.
        plant: The plant, if it is known.
        first: The first day; the first there is where it is None.
        last: The last day; the last there is where it is None.
        restarts: Logged changes beside those of the plant's history, from the logbook.
        raked_ms: When the rack was raked, from the logbook [Unix ms].
        today: A day that is not over: no drift is claimed from it.

    """
    asked = [span for span in ten.days if (first or dt.date.min) <= span.day <= (last or dt.date.max)]
    if not asked:
        return None
    begin, end = asked[0].begin, asked[-1].end
    books = _Books(ten, plant)
    restarts = (*restarts, *_changes(ten, plant))
    reckoned = list(_months(books, asked))
    months = tuple(month for month, _ in reckoned)
    energy = total(found for _, found in reckoned if found is not None)
    coverage = books.coverage(begin, end)
    hours = coverage * (end - begin) * _H
    known = hours > 0 and not books.blind
    power = ten.power_w()
    usual = ten if plant is None else left_out(ten, held_back(ten, plant))
    whole = usual if today is None else usual.part(0, _before(ten, today))
    found_drifts = drifts(whole, plant, restarts) if plant is not None else []
    u_share = energy.u / energy.value if energy.value > 0 else _UNTOLD_U
    missed = () if plant is None or not known else tuple(
        missed_energy(
            ten, plant, limits_of(plant), drifts=found_drifts, energy_u=u_share, rows=slice(begin, end), raked_ms=raked_ms
        )
    )  # fmt: skip
    rated_w = None if plant is None else plant.alternator.rated_w
    factor = (
        None
        if rated_w is None or not known or energy.value < 0
        else Figure(
            value=capacity_factor(energy.value, rated_w, hours), u=energy.u / (rated_w * hours), origin=books.origin,
            coverage=coverage, note=f"against the alternator's rated {rated_w:g} W, over the measured time",
        )
    )  # fmt: skip
    return Season(
        first=asked[0].day,
        last=asked[-1].day,
        energy_wh=energy.figure(books.origin, coverage) if known else None,
        coverage=coverage,
        mean_w=energy.times(1 / hours).figure(books.origin, coverage) if known else None,
        rated_w=rated_w,
        capacity_factor=factor,
        months=months,
        against=_against(books, plant, asked) if known else None,
        power_curve=_curve(power[begin:end]) if known else None,
        flow_curve=None if plant is None else _curve(flow_l_s(ten, plant)[begin:end]),
        weeks=weeks(asked, books.wh_before, books.measured_before, u_share, books.origin) if known else (),
        missed=missed,
        outlook=outlook(ten.days, books.wh_before, books.measured_before, asked[-1].day) if known else None,
        baselines=None if plant is None else learn(usual, plant, restarts),
        drifts=tuple(found_drifts),
        notes=tuple(_notes(books, plant)),
    )


def _changes(ten: TenMinutes, plant: Plant | None) -> tuple[Restart, ...]:
    if plant is None:
        return ()
    first, last = int(ten.start_ms[0]), int(ten.start_ms[-1])
    return tuple(
        Restart(at_ms=change.at_ms, what=change.what)
        for change in changes_between(plant, first, last, *_RESTARTING)
    )


def _before(ten: TenMinutes, today: dt.date) -> int:
    return next((span.begin for span in ten.days if span.day >= today), ten.size)


def _months(books: _Books, days: list[DaySpan]) -> Iterator[tuple[Month, Uncertain | None]]:
    """Yield each month with its energy [Wh], None where nothing was measured."""
    rows = np.array([(span.begin, span.end) for span in days])
    sums = (np.diff(before[rows]).ravel() for before in (books.wh_before, books.measured_before))
    told = zip(days, *(values.tolist() for values in sums), strict=True)
    for (year, month), of_month in groupby(told, key=lambda one: (one[0].day.year, one[0].day.month)):
        bars, spans = [], []
        for span, wh, measured in of_month:
            spans.append(span)
            dark = measured == 0 or books.blind
            bars.append(DayBar(span.day, None if dark else wh, measured / (span.end - span.begin)))
        begin, end = spans[0].begin, spans[-1].end
        coverage = books.coverage(begin, end)
        energy = None if coverage == 0 or books.blind else books.of(begin, end)
        figure = None if energy is None else energy.figure(books.origin, coverage)
        yield Month(year=year, month=month, energy_wh=figure, coverage=coverage, days=tuple(bars)), energy


def _against(books: _Books, plant: Plant | None, days: list[DaySpan]) -> Against | None:
    """Return the last calendar year of the period so far against the same days of the one before."""
    year = days[-1].day.year
    there = {span.day: span for span in books.ten.days}
    this_rows = np.zeros(books.ten.size, bool)
    last_rows = np.zeros(books.ten.size, bool)
    these = [span for span in days if span.day.year == year]
    whole = books.measured >= _ALMOST
    sums: list[tuple[float, float]] = []
    for span in these:
        try:
            then = there.get(span.day.replace(year=year - 1))
        except ValueError:  # the 29th of February
            then = None
        if then is None:
            continue
        count = min(span.end - span.begin, then.end - then.begin)
        both = whole[span.begin : span.begin + count] & whole[then.begin : then.begin + count]
        this_rows[span.begin : span.begin + count] = both
        last_rows[then.begin : then.begin + count] = both
        sums.append(
            (
                float(books.wh[span.begin : span.begin + count][both].sum()),
                float(books.wh[then.begin : then.begin + count][both].sum()),
            )
        )
    if not this_rows.any():
        return None
    ranges = [np.flatnonzero(rows)[[0, -1]] for rows in (this_rows, last_rows)]
    this, last = (
        books.of(int(ends[0]), int(ends[1]) + 1, rows)
        for ends, rows in zip(ranges, (this_rows, last_rows), strict=True)
    )
    shared = float(this_rows.sum()) / sum(span.end - span.begin for span in these)
    changed: tuple[str, ...] = ()
    if plant is not None:
        from_ms, to_ms = (int(books.ten.start_ms[place]) for place in (ranges[1][0], ranges[0][1]))
        changed = tuple(change.what for change in changes_between(plant, from_ms, to_ms))
    change = None
    if last.value > 0:
        ratio = this.over(last)
        change = Figure(value=ratio.value - 1, u=ratio.u, coverage=shared)
    running = np.cumsum(np.array(sums), axis=0)
    return Against(
        first=these[0].day,
        last=these[-1].day,
        this_wh=this.figure(books.origin, shared),
        last_wh=last.figure(books.origin, shared),
        change=change,
        shared=shared,
        changed=changed,
        this_sum_wh=tuple(running[:, 0].tolist()),
        last_sum_wh=tuple(running[:, 1].tolist()),
    )


def _curve(values: Floats) -> tuple[float, ...] | None:
    known = values[np.isfinite(values)]
    return tuple(exceeded(known, SHARES).tolist()) if known.size >= _LEAST_CURVE else None


def _notes(books: _Books, plant: Plant | None) -> list[str]:
    found: list[str] = []
    if books.blind:
        found.append(
            "energy is not known: it takes battery_v with charge_a, or battery_a and no other source"
        )
    elif books.ten.basis == "battery":
        found.append(
            "energy is a lower bound: only battery_a is measured, what the loads take at once is not in it"
        )
    elif books.origin == "lower-bound":
        found.append("energy is a lower bound: the controller diverts before the shunt of charge_a")
    if plant is None:
        found.append("no plant is described: no capacity factor, no missed energy, no drift; give --plant")
        return found
    if plant.sensor("stage_m") is None or plant.weir is None:
        found.append("no flow-duration curve: it takes stage_m at a rated weir in the headrace")
    return found + not_told(plant)
