"""Baselines, drift, slip and missed energy against the twin, whose truth is known.

.venv/bin/python tests/bench/truth_season.py [--quick]
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench import season_twin as twin
from tests.bench.season_twin import DAY_S, DEMO, FIRST_DAY, ROWS_A_DAY, Run, fitted

from wheelpit.accounts.baselines import Restart
from wheelpit.accounts.drift import Drift, drifts
from wheelpit.accounts.missed import missed_energy
from wheelpit.accounts.slip import SlipWatch, healthy_belt
from wheelpit.accounts.tenminutes import TenMinutes
from wheelpit.plant.chain import ratio_of
from wheelpit.plant.limits import limits_of
from wheelpit.plant.operating import OperatingPoint, operating_point
from wheelpit.twin.condition import Condition
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.orders import Orders, Outage, Parked
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.fast.steady import Ailment, steady_chain
from wheelpit.twin.fast.years import KINDS, happenings
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.season import DailyFlow, Season
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from wheelpit.plant import Plant

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]

_YEAR: Final = 365
_ONSET: Final = 100  # day on which a loss begins
_LOOK: Final = 21  # days after it in which it is looked for
_BELT_DAY: Final = 200  # of the logged belt change
_HOUR_S: Final = 3600.0
_LOSSES: Final = frozenset({"bearing", "belt-slip", "tailwater", "phase-lost", "corroded-terminal", "jam"})
_SLIP: Final = 0.03
_ROW_S: Final = 600.0
_LEAST_WH: Final = 5.0


def debris(seed: int, days: int, *, mean_mm: float = 1.0, most_mm: float = 3.0) -> Iterator[Episode]:
    """Yield leaves on the weir's crest: they come every week or so, lie for days, and are taken off or washed away."""
    rng = np.random.default_rng([seed, 77])
    day = rng.exponential(5)
    while day < days:
        lies = rng.uniform(1, 6)
        depth_mm = min(max(rng.exponential(mean_mm), 0.05), most_mm)
        clears = (day + lies) * DAY_S
        yield Episode("weir-debris", day * DAY_S, depth_mm / 30.0, 12 * _HOUR_S, clears)
        day += lies + rng.exponential(6)


def claims(
    run: Run, plant: Plant, first: int, last: int, restarts: tuple[Restart, ...] = ()
) -> Iterator[tuple[int, Drift]]:
    """Yield each day's claims from one day on, as a person would have seen them that evening."""
    for day in range(first, last):
        for drift in drifts(run.ten.part(0, (day + 1) * ROWS_A_DAY), plant, restarts):
            yield day, drift


@dataclass(slots=True)
class Found:
    """How many losses were found in time, and how well they were dated."""

    tried: int = 0
    found: int = 0
    dated: int = 0
    days: list[float] = dataclasses.field(default_factory=list)

    def add(self, told: list[tuple[int, Drift]], onset: int, within: int, near: int) -> None:
        """Take the claims of one run."""
        self.tried += 1
        if not told:
            return
        day, drift = told[0]
        took = day + 1 - onset
        self.days.append(took)
        self.found += took <= within
        self.dated += abs((drift.since - FIRST_DAY).days - onset) <= near


def _bearing_of(plant: Plant, share: float, seed: int) -> float:
    """Return the severity of a worn bearing that takes a share of the shaft's power at the middle flow of the days to come."""
    season = Season(seed, FIRST_DAY)
    flows = [season.at((_ONSET + day / 4) * DAY_S).stream_l_s for day in range(4 * _LOOK)]
    middle = min(max(float(np.median(flows)), 2.0), plant.water.highest_flow_l_s)
    point = operating_point(plant, middle)
    assert isinstance(point, OperatingPoint)
    # At severity 1 it takes three times the healthy friction on top.
    return min(share * point.shaft_w / (3.0 * point.bearing_w), 1.0)


def losses(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as `run`
    """Look for losses of shaft power with a clean weir, with debris on it, and with a torque arm."""
    count = 2 if quick else 12
    sets: dict[str, tuple[tuple[str, ...], float, float, int, int]] = {
        # channels, loss, debris in mm, found within days, dated within days
        "weir": (("stage_m",), 0.10, 0.0, 14, 7),
        "debris": (("stage_m",), 0.20, 1.0, 14, 7),
        "torque": (("stage_m", "shaft_nm"), 0.10, 0.0, 7, 3),
        "none": ((), 0.20, 0.0, 14, 7),
    }
    rows: Rows = {}
    for name, (channels, share, mm, within, near) in sets.items():
        told = fitted(DEMO, *channels)
        result = Found()
        for number in range(1, count + 1):
            made = variant(told, number)
            faults = [Episode("bearing", _ONSET * DAY_S, _bearing_of(told, share, number))]
            if mm:
                faults += debris(number, _YEAR, mean_mm=mm)
            run = twin.run(
                told, _ONSET + _LOOK, true=made.plant, assumptions=made.assumptions,
                orders=Orders(faults=tuple(faults)), seed=number, sensor_seed=made.sensor_seed,
            )  # fmt: skip
            if "stage_m" in channels:
                restless_weir(run, number)
            if name == "torque":
                _noisy_torque(run, number)
            result.add(list(claims(run, told, _ONSET - 30, _ONSET + _LOOK)), _ONSET, within, near)
        share_found, share_dated = 100 * result.found / result.tried, 100 * result.dated / result.tried
        middle = float(np.median(result.days)) if result.days else float("nan")
        say(
            f"  loss of {100 * share:.0f} %, {', '.join(channels) or 'neither level nor torque'}"
            f"{', leaves on the weir' if mm else ''}: claimed in {len(result.days)} of {result.tried}, within {within} d "
            f"{share_found:.0f} %, dated within {near} d {share_dated:.0f} %, median {middle:.0f} d"
        )
        if name == "none":
            rows["loss_claims_without_sensor"] = (float(len(result.days)), "claims")
            continue
        rows[f"loss_found_days_{name}"] = (middle, "d")
        rows[f"loss_found_{name}_pct"] = (share_found, "%")
        rows[f"loss_dated_{name}_pct"] = (share_dated, "%")
    return rows


def restless_weir(run: Run, seed: int) -> None:
    """Give the flow over a weir 1.5 % of restlessness from day to day and 1.5 % that comes and goes over weeks."""
    rng = np.random.default_rng([seed, 9])
    days = len(run.ten.days)
    slow = np.empty(days)
    slow[0] = rng.standard_normal()
    stay = float(np.exp(-1 / 20))
    for day in range(1, days):
        slow[day] = stay * slow[day - 1] + np.sqrt(1 - stay * stay) * rng.standard_normal()
    share = 0.015 * rng.standard_normal(days) + 0.015 * slow
    # Q goes with h to the power 2.5.
    run.ten.columns["stage_m"] *= np.repeat(1 + share / 2.5, ROWS_A_DAY).astype(np.float32)


def _noisy_torque(run: Run, seed: int) -> None:
    """Give the torque arm an error of gain and zero and a noise, as a load cell of class 0.5 has."""
    rng = np.random.default_rng([seed, 5])
    column = run.ten.columns["shaft_nm"]
    column *= np.float32(1 + 0.005 * rng.standard_normal())
    column += np.float32(0.3 * rng.standard_normal()) + (0.2 * rng.standard_normal(column.size)).astype(
        np.float32
    )


def false_claims(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as `run`
    """Count claims of drift in the three years where nothing is lost, debris, frost, rakes and a new belt among them."""
    told = fitted(DEMO, "stage_m", "alternator_rpm", "water_degc")
    thinner = dataclasses.replace(told, belt=dataclasses.replace(told.belt, belt_mm=4.0))
    days = 150 if quick else _YEAR
    belt_day = 90 if quick else _BELT_DAY
    total = 0
    for kind in ("everything",) if quick else ("wet", "dry", "everything"):
        faults = list(debris(len(kind), days))
        plan = happenings(told, FIRST_DAY, days) if KINDS[kind].breaks else Orders()
        orders = Orders(faults=(*plan.faults, *faults), parked=plan.parked)
        halves = [
            twin.run(told, days, true=true, orders=orders, seed=3, median_l_s=KINDS[kind].median_l_s)
            for true in (told, thinner)
        ]
        run = _spliced(halves[0], halves[1], belt_day)
        restless_weir(run, 3)
        restart = Restart(at_ms=int(run.ten.start_ms[belt_day * ROWS_A_DAY]), what="a new, thinner belt")
        false: set[str] = set()
        for day, drift in claims(run, told, 25, days, (restart,)):
            real = [
                fault
                for fault in plan.faults
                if fault.name in _LOSSES
                and fault.onset_s / DAY_S - 2 <= day
                and (fault.cleared_s is None or (drift.since - FIRST_DAY).days <= fault.cleared_s / DAY_S)
            ]
            if not real:
                false.add(f"{drift.kind} since {drift.since}")
        total += len(false)
        say(f"  {kind} year of {days} days: {len(false)} false claims of drift {sorted(false) or ''}")
    return {"false_drift_claims": (float(total), "claims")}


def _spliced(first: Run, second: Run, day: int) -> Run:
    """Return one run that goes over to another one at a day."""
    at = day * ROWS_A_DAY
    columns = {name: column.copy() for name, column in first.ten.columns.items()}
    for name, column in second.ten.columns.items():
        columns[name][at:] = column[at:]
    return Run(TenMinutes(first.ten.start_ms, columns, first.ten.days), first.truth)


def slips(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as `run`
    """Let belts slip by 3 % under load and count the minutes of loaded running until that is said."""
    watched = [_slipping(number) for number in range(1, (2 if quick else 10) + 1)]
    took = [minutes for minutes, _, _ in watched]
    false = sum(count for _, _, count in watched)
    dated = max(off for _, off, _ in watched)
    say(
        f"  slip of 3 %, {len(took)} plants: found within {max(took):.1f} min of loaded running, dated to {dated:.1f} min, "
        f"{false} claimed before"
    )
    return {"slip_found_min": (max(took), "min"), "slip_false_claims": (float(false), "claims")}


def _slipping(number: int) -> tuple[float, float, int]:
    """Return the minutes until a slip was found, those by which it was misdated, and the claims before it."""
    told = fitted(DEMO, "alternator_rpm")
    made = variant(told, number)
    calm = dataclasses.replace(made.assumptions, wander_share=0.0)
    learned = twin.run(told, 30, true=made.plant, assumptions=made.assumptions, seed=number)
    belt = healthy_belt(learned.ten, told)
    assert belt is not None
    # At the least flow at which such a slack belt slips by 3 %; a little more, and it would not hold at all.
    tension = 0.24 + 0.02 * (number % 8)
    flows = np.linspace(2.5, 19.0, 1651)
    table = steady_chain(made.plant, calm, Ailment.of(Condition(belt_tension=tension)))
    speeds = table.look_up(flows, ("wheel_rad_s", "alternator_rad_s"))
    slip = 1 - speeds["alternator_rad_s"] / speeds["wheel_rad_s"] / ratio_of(made.plant)
    flow_l_s = float(flows[np.argmax(slip >= _SLIP)])
    fault = Episode("belt-slip", 0.5 * DAY_S, 1 - tension)
    recorder = Recorder(
        fitted(DEMO, "alternator_rpm", record_s=10), "wheel", seed=number, first_day=FIRST_DAY
    )
    course = FastTwin(
        made.plant, first_day=FIRST_DAY, seed=number, orders=Orders(faults=(fault,)), source=DailyFlow([flow_l_s] * 2),
        assumptions=calm,
    ).run(DAY_S)  # fmt: skip
    watch = SlipWatch(belt)
    onset_ms = round(dt.datetime.combine(FIRST_DAY, dt.time(12), dt.UTC).timestamp() * 1000)
    false, told_slip = 0, None
    for found in recorder.record(course):
        columns = (
            found.mean["wheel_rpm"],
            found.mean["alternator_rpm"],
            found.mean["battery_v"] * found.mean["charge_a"],
        )
        for end_ms, wheel_rpm, alternator_rpm, watts in zip(
            found.end_ms.tolist(), *(c.tolist() for c in columns), strict=True
        ):
            slip_now = watch.record(end_ms - found.span_ms, end_ms, wheel_rpm, alternator_rpm, watts)
            if slip_now is not None and end_ms <= onset_ms:
                false += 1
            elif slip_now is not None and told_slip is None:
                told_slip = slip_now
    if told_slip is None:
        return float("inf"), float("inf"), false
    return (told_slip.found_ms - onset_ms) / 60_000, abs(told_slip.since_ms - onset_ms) / 60_000, false


# By cause: the fault in the twin, its severity, the hours in which it comes.
_CASES: Final[dict[str, tuple[str, float, float]]] = {
    "stall": ("jam", 1.0, 0.0),
    "not charging": ("fuse-open", 1.0, 0.0),
    "clogging": ("clogging", 0.4, 5.0),
    "parked": ("", 0.0, 0.0),
    "no data": ("", 0.0, 0.0),
}
_RUN_DAYS: Final = 150


class _Trial(NamedTuple):
    """A fault of one plant: what is planned, when the node is dark, and the rows around it."""

    orders: Orders
    outages: tuple[Outage, ...]
    rows: slice


def _trial(cause: str, rng: np.random.Generator) -> _Trial:
    fault, severity, ramp_h = _CASES[cause]
    begin = float(rng.uniform(85, 135)) * DAY_S
    hours = float(rng.uniform(7, 14)) if fault == "clogging" else float(rng.uniform(3, 30))
    end = begin + hours * _HOUR_S
    rows = slice(int(begin / _ROW_S) - 2, int(end / _ROW_S) + 3)
    if fault:
        episode = Episode(fault, begin, severity, ramp_h * _HOUR_S, end)
        return _Trial(Orders(faults=(episode,)), (), rows)
    if cause == "parked":
        return _Trial(Orders(parked=(Parked(begin, end),)), (), rows)
    return _Trial(Orders(), (Outage(begin, end),), rows)


def _truly_missed(well: Run, run: Run, outages: tuple[Outage, ...]) -> float:
    """Return what the twin gave less [Wh], or what it gave while the node was dark."""
    given = well.truth["given_w"]
    if not outages:
        return float((given - run.truth["given_w"]).sum()) / 6
    rows = np.arange(given.size)
    first, last = (round(t_s / 60) * 60 / _ROW_S for t_s in outages[0])
    part = np.clip(np.minimum(rows + 1, last) - np.maximum(rows, first), 0, 1)
    return float((given * part).sum()) / 6


def missed(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as `run`
    """Compare the energy missed by cause with the twin run again without the fault."""
    inside: dict[str, list[bool]] = {cause: [] for cause in _CASES}
    widths: list[float] = []
    for number in range(1, (2 if quick else 20) + 1):
        told = fitted(DEMO, "stage_m") if number % 2 else fitted(DEMO)
        made = variant(told, number)
        rng = np.random.default_rng([number, 11])
        go = functools.partial(
            twin.run, told, _RUN_DAYS, true=made.plant, assumptions=made.assumptions, seed=number,
            sensor_seed=made.sensor_seed,
        )  # fmt: skip
        well = go()
        for cause in _CASES:
            trial = _trial(cause, rng)
            run = go(orders=trial.orders, outages=trial.outages)
            true_wh = _truly_missed(well, run, trial.outages)
            if true_wh < _LEAST_WH:
                continue
            found = missed_energy(run.ten, told, limits_of(told), rows=trial.rows)
            figure = next((one.energy_wh for one in found if one.cause == cause), None)
            hit = figure is not None and figure.low <= true_wh <= figure.high
            inside[cause].append(hit)
            if figure is not None:
                widths.append((figure.high - figure.low) / 2 / true_wh)
            if not hit:
                shown = "nothing" if figure is None else f"{figure.value:.0f} +- {1.96 * figure.u:.0f}"
                say(f"    plant {number}, {cause}: {shown} Wh found, {true_wh:.0f} Wh true")
    every = [hit for hits in inside.values() for hit in hits]
    for cause, hits in inside.items():
        say(f"  missed by {cause}: {sum(hits)} of {len(hits)} inside the interval")
    width = float(np.median(widths)) if widths else float("nan")
    return {
        "missed_energy_inside_pct": (100 * sum(every) / max(len(every), 1), "%"),
        "missed_energy_interval_pct": (100 * width, "% of the energy, median half width"),
    }


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - how all parts of the truth are called
    """Return all figures of this part, by key, with their unit."""
    rows: Rows = {}
    for part in (slips, losses, false_claims, missed):
        rows |= part(quick, say)
    return rows
