"""The battery's state: how full, how sure, since when, how long it lasts, and what it gave back.

With `battery_a` the charge is counted (`battery_count`). With `charge_a` alone there is no state of charge: what the
loads took is not known, and only "seen full" can be said.

    account = battery_account(reader, "sallow-ghyll", plant, from_ms=month_ms, to_ms=now_ms, entries=notes)
    if account.charge_pct is not None:
        print(account.charge_pct.value, account.charge_pct.u, account.full_text(now_ms))
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.acid import acid_of, fixes_of
from wheelpit.accounts.battery_count import REST_H, Counter, last_full_by_voltage
from wheelpit.accounts.battery_rows import MS_PER_H, battery_rows, beliefs_of, charge_rows, newest
from wheelpit.accounts.battery_steps import step_resistance
from wheelpit.accounts.figure import Figure
from wheelpit.physics.battery import (
    acid_freezing_point,
    flooded_specific_gravity,
)
from wheelpit.physics.discharge import lead_capacity_share, peukert_hours
from wheelpit.store.logbook import HYDROMETER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.acid import Acid
    from wheelpit.accounts.battery_rows import BatteryRows, Beliefs, Course
    from wheelpit.plant.description import Plant
    from wheelpit.store.logbook import Entry
    from wheelpit.store.reading import Reading

MS_PER_DAY: Final = 86_400_000
REPLACE_CAPACITY: Final = 0.80  # of the label (US Bureau of Reclamation, storage batteries; IEEE 450)
_HISTORY_DAYS: Final = 400
_LATE_FULL_DAYS: Final = 14
_NOW_H: Final = 3.0
_STEPS_DAYS: Final = 7
_TWO_DAYS_H: Final = 48.0
_LEAST_CYCLE: Final = 0.2
_LEAST_A: Final = 0.05
_RATED_H: Final = 20.0
# Down to which share a bank is usually used: lead-acid lasts by shallow cycles; common practice, no source.
DOWN_TO: Final = {"flooded": 0.5, "sealed": 0.5, "lfp": 0.2}


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryAccount:
    """What is known of a battery at `at_ms`, and over the period from `from_ms`. What cannot be known is None.

    Attributes:
        from_ms, at_ms: the period [Unix ms].
        basis: "counted" from battery_a; "voltage" where only charge_a is fitted; "none" where neither is.
        charge_pct: state of charge [%].
        full_ms: when it was last full, None if never seen.
        rests: how often in the period it was truly at rest.
        battery_v, battery_a, battery_degc: newest ten minutes.
        in_ah, out_ah, in_wh, out_wh: what went through it in the period.
        cycles: the charge that came out over the capacity: whole cycles it is worth.
        charge_efficiency: charge back per charge in, short of gassing [-].
        energy_efficiency: (out + what is stored more) / in over the period [-].
        capacity_ah: as it is known.
        resistance_ohm: from steps of current.
        hours_left: until `down_to`, at the mean current of the last hours; None while it is not discharging.
        down_to: the share to which it is used.
        freezing_degc: at which its acid freezes, by the low end of the state of charge; None for LiFePO4.
        acid: the newest hydrometer's reading.
        course, rows: the whole history, for drawing; None without battery_a.
        notes: what must be known to read it, and what to do.

    """

    from_ms: int
    at_ms: int
    basis: str
    charge_pct: Figure | None
    full_ms: int | None
    rests: int
    battery_v: float | None
    battery_a: float | None
    battery_degc: float | None
    in_ah: float
    out_ah: float
    in_wh: float
    out_wh: float
    cycles: float | None
    charge_efficiency: Figure | None
    energy_efficiency: Figure | None
    capacity_ah: Figure
    resistance_ohm: Figure | None
    hours_left: Figure | None
    down_to: float
    freezing_degc: float | None
    acid: Acid | None
    course: Course | None
    rows: BatteryRows | None
    notes: tuple[str, ...]

    def full_text(self, now_ms: int) -> str:
        """Return since when it has not been full, in words."""
        if self.full_ms is None:
            return "not yet seen full"
        hours = (now_ms - self.full_ms) / MS_PER_H
        if hours < 1.0:
            return "full now"
        return (
            f"last seen full {hours:.0f} hours ago"
            if hours < _TWO_DAYS_H
            else f"last seen full {hours / 24:.0f} days ago"
        )


def battery_account(
    reader: Reading,
    site: str,
    plant: Plant,
    *,
    from_ms: int,
    to_ms: int,
    entries: Sequence[Entry] = (),
    down_to: float | None = None,
    beliefs: Beliefs | None = None,
) -> BatteryAccount:
    """Return a battery's account.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant.
        from_ms: Where the period of the sums begins [Unix ms].
        to_ms: The moment at which the state is wanted, and where the period ends.
        entries: The logbook's entries of the last 400 days; hydrometers among them are sure points.
        down_to: The share to which the bank is used; what is usual for its kind where it is None.
        beliefs: What is believed of the bank; what is usual for its kind where it is None.

    """
    begin_ms = min(from_ms, to_ms - _HISTORY_DAYS * MS_PER_DAY)
    told = beliefs_of(plant) if beliefs is None else beliefs
    rows = battery_rows(reader, site, begin_ms, to_ms)
    if not rows.valid_ms.any():
        rows = charge_rows(reader, site, begin_ms, to_ms)
        return account_by_voltage(rows, plant, told, from_ms=from_ms, to_ms=to_ms, entries=entries)
    steps = step_resistance(reader, site, plant, to_ms - _STEPS_DAYS * MS_PER_DAY, to_ms)
    return account_of(
        rows, plant, told, from_ms=from_ms, to_ms=to_ms, entries=entries, steps=steps, down_to=down_to
    )


def account_of(
    rows: BatteryRows,
    plant: Plant,
    beliefs: Beliefs,
    *,
    from_ms: int,
    to_ms: int,
    entries: Sequence[Entry] = (),
    steps: Figure | None = None,
    down_to: float | None = None,
) -> BatteryAccount:
    """Return the account of a history that was measured with `battery_a`; see `battery_account`."""
    lead = plant.battery.chemistry != "lfp"
    acids = (
        [acid_of(entry) for entry in entries if entry.kind == HYDROMETER]
        if plant.battery.chemistry == "flooded"
        else []
    )
    course = Counter(plant, beliefs).count(rows, [fix for fix in fixes_of(entries) if acids])
    inside = (rows.end_ms > from_ms) & (rows.start_ms < to_ms)
    known = np.flatnonzero(np.isfinite(course.share) & (rows.end_ms <= to_ms))
    pct = None
    if known.size:
        last = int(known[-1])
        coverage = float(rows.valid_ms[inside].sum() / max(to_ms - from_ms, 1))
        pct = Figure(
            value=100 * float(course.share[last]), u=100 * float(course.u[last]), coverage=min(coverage, 1.0)
        )
    capacity = Figure(
        value=course.capacity_ah,
        u=course.capacity_ah * course.capacity_u,
        origin="measured" if course.capacities_learned else "modelled",
        note="" if course.capacities_learned else "the label's: it was never seen going from full to empty",
    )
    latest = newest(rows, to_ms)
    use_to = DOWN_TO[plant.battery.chemistry] if down_to is None else down_to
    hours_left = (
        None if pct is None else _hours_left(rows, pct, capacity, beliefs, use_to, latest[2], lead=lead)
    )
    in_ah, out_ah, in_wh, out_wh = (
        float(column[inside].sum()) for column in (rows.in_ah, rows.out_ah, rows.in_wh, rows.out_wh)
    )
    rests = sum(from_ms < at <= to_ms for at in course.rests)
    return BatteryAccount(
        from_ms=from_ms,
        at_ms=to_ms,
        basis="counted",
        charge_pct=pct,
        full_ms=course.last_full_ms,
        rests=rests,
        battery_v=latest[0],
        battery_a=latest[1],
        battery_degc=latest[2],
        in_ah=in_ah,
        out_ah=out_ah,
        in_wh=in_wh,
        out_wh=out_wh,
        cycles=out_ah / course.capacity_ah,
        charge_efficiency=Figure(
            value=course.efficiency,
            u=course.efficiency_u,
            origin="measured" if course.cycles_learned else "modelled",
            note=""
            if course.cycles_learned
            else "what is usual: no deep cycle from full to full was seen yet",
        ),
        energy_efficiency=_energy_efficiency(rows, course, inside, capacity.value),
        capacity_ah=capacity,
        resistance_ohm=steps,
        hours_left=hours_left,
        down_to=use_to,
        freezing_degc=_freezing(pct) if lead else None,
        acid=max(acids, key=lambda acid: acid.at_ms) if acids else None,
        course=course,
        rows=rows,
        notes=tuple(_notes(plant, course, pct, capacity, steps, acids, rests, to_ms)),
    )


def _hours_left(  # noqa: PLR0917 - what is known by now
    rows: BatteryRows,
    pct: Figure,
    capacity: Figure,
    beliefs: Beliefs,
    down_to: float,
    degc: float | None,
    *,
    lead: bool,
) -> Figure | None:
    """Return for how long the bank gives what it gave in the last hours."""
    recent = rows.end_ms > rows.end_ms[-1] - _NOW_H * MS_PER_H
    hours = rows.valid_ms[recent].sum() / MS_PER_H
    if hours < _NOW_H / 2:
        return None
    net_a = float((rows.out_ah[recent] - rows.in_ah[recent]).sum() / hours)
    if net_a < _LEAST_A:
        return None
    warm = 1.0
    note = f"at the {net_a:.1f} A of the last {_NOW_H:.0f} h, down to {100 * down_to:.0f} %"
    if lead and degc is not None:
        warm = min(lead_capacity_share(min(max(degc, -20.0), 60.0)), 1.0)
        note += f", its capacity at {degc:.0f} °C being {100 * warm:.0f} %"
    # Below the rated current Peukert's law promises more than there is.
    whole_h = min(
        peukert_hours(max(capacity.value * warm, 1.0), _RATED_H, max(net_a, 0.001), beliefs.peukert),
        capacity.value * warm / net_a,
    )
    share = max(pct.value / 100 - down_to, 0.0)
    u = whole_h * math.hypot(pct.u / 100, share * capacity.u / capacity.value)
    return Figure(value=whole_h * share, u=u, origin="modelled", note=note)


def _freezing(pct: Figure | None) -> float:
    """Return where the acid freezes, by the low end of what the charge may be; a flat bank's where it is not known."""
    low = 0.0 if pct is None else min(max(pct.low / 100, 0.0), 1.0)
    return acid_freezing_point(flooded_specific_gravity(low))


def _energy_efficiency(
    rows: BatteryRows, course: Course, inside: np.ndarray[tuple[int], np.dtype[np.bool_]], capacity_ah: float
) -> Figure | None:
    """Return (out + what is stored more) / in: never out / in of a period that ended fuller."""
    known = np.flatnonzero(inside & np.isfinite(course.share) & np.isfinite(rows.volts))
    if known.size < 2:  # noqa: PLR2004 - a beginning and an end
        return None
    first, last = int(known[0]), int(known[-1])
    part = slice(first + 1, last + 1)
    in_wh, out_wh = float(rows.in_wh[part].sum()), float(rows.out_wh[part].sum())
    mean_v = float(rows.volts[known].mean())
    whole_wh = capacity_ah * mean_v
    if in_wh < _LEAST_CYCLE * whole_wh:
        return None
    more_wh = float(course.share[last] - course.share[first]) * whole_wh
    u = whole_wh * math.hypot(float(course.u[first]), float(course.u[last])) / in_wh
    return Figure(value=(out_wh + more_wh) / in_wh, u=u, note="(out + what is stored more) / in")


def _notes(  # noqa: PLR0917 - what is known by now
    plant: Plant,
    course: Course,
    pct: Figure | None,
    capacity: Figure,
    steps: Figure | None,
    acids: Sequence[Acid],
    rests: int,
    to_ms: int,
) -> list[str]:
    found: list[str] = []
    lead = plant.battery.chemistry != "lfp"
    if pct is None:
        found.append(
            "no percentage yet: it counts from when the bank is seen full, at rest, or measured by a hydrometer"
        )
    if not rests:
        found.append(
            f"it was never at rest for {REST_H:.0f} h in this time: a wheel that runs day and night gives none, so no rest "
            "voltage is read"
        )
    elif not lead:
        found.append("at rest, LiFePO4 cells show the same voltage from 20 to 95 %: it is not read")
    if (
        lead
        and course.last_full_ms is not None
        and to_ms - course.last_full_ms > _LATE_FULL_DAYS * MS_PER_DAY
    ):
        found.append(
            f"not full for more than {_LATE_FULL_DAYS} days: lead-acid plates sulphate; charge it full"
        )
    label = plant.battery.capacity_ah
    if course.capacities_learned and capacity.value + capacity.u < REPLACE_CAPACITY * label:
        found.append(
            f"it gives {100 * capacity.value / label:.0f} % of what its label says; below {100 * REPLACE_CAPACITY:.0f} % a "
            "bank is at its end"
        )
    usual = plant.battery.resistance_ohm
    if steps is not None and steps.low > 2.0 * usual:
        found.append(
            f"its resistance is {1000 * steps.value:.1f} mohm, plant.toml says {1000 * usual:.1f}: look at the terminals, "
            "with the bank isolated and rings off"
        )
    found.extend(acid.advice for acid in acids[-1:] if acid.advice)
    return found


def account_by_voltage(
    rows: BatteryRows,
    plant: Plant,
    beliefs: Beliefs,
    *,
    from_ms: int,
    to_ms: int,
    entries: Sequence[Entry] = (),
) -> BatteryAccount:
    """Return what can be said without `battery_a`: when it was seen full, and what a hydrometer said."""
    flooded = plant.battery.chemistry == "flooded"
    acids = [acid_of(entry) for entry in entries if entry.kind == HYDROMETER] if flooded else []
    latest = newest(rows, to_ms) if rows.size else (None, None, None)
    measured = bool(rows.valid_ms.any())
    notes = [
        (
            "no state of charge: charge_a says what came to the battery node, not what the loads took from it; battery_a "
            "would give it"
        )
        if measured
        else "no state of charge: no current of the battery was measured in this time; battery_a would give it"
    ]
    notes.extend(acid.advice for acid in acids[-1:] if acid.advice)
    return BatteryAccount(
        from_ms=from_ms,
        at_ms=to_ms,
        basis="voltage" if measured else "none",
        charge_pct=None,
        full_ms=last_full_by_voltage(rows, plant),
        rests=0,
        battery_v=latest[0],
        battery_a=None,
        battery_degc=latest[2],
        in_ah=0.0,
        out_ah=0.0,
        in_wh=0.0,
        out_wh=0.0,
        cycles=None,
        charge_efficiency=None,
        energy_efficiency=None,
        capacity_ah=Figure(
            value=beliefs.capacity_ah,
            u=beliefs.capacity_ah * beliefs.capacity_u,
            origin="modelled",
            note="the label's",
        ),
        resistance_ohm=None,
        hours_left=None,
        down_to=DOWN_TO[plant.battery.chemistry],
        freezing_degc=_freezing(None) if plant.battery.chemistry != "lfp" else None,
        acid=max(acids, key=lambda acid: acid.at_ms) if acids else None,
        course=None,
        rows=None,
        notes=tuple(notes),
    )
