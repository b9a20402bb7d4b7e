"""Baselines, drift and slip against the twin, whose truth is known.

.venv/bin/python tests/bench/truth.py [--quick] season
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench import season_twin as twin
from tests.bench.season_twin import DAY_S, DEMO, FIRST_DAY, ROWS_A_DAY, Run, fitted

from wheelpit.accounts.baselines import Restart
from wheelpit.accounts.drift import Drift, drifts
from wheelpit.accounts.slip import SlipWatch, healthy_belt
from wheelpit.accounts.tenminutes import TenMinutes
from wheelpit.plant.chain import ratio_of
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.condition import Condition
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.orders import Orders
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.fast.steady import Ailment, steady_chain
from wheelpit.twin.fast.years import KINDS, happenings
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.season import DailyFlow, Season
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]

_YEAR: Final = 365
_ONSET: Final = 100  # day on which a loss begins
_LOOK: Final = 21  # days after it in which it is looked for
_BELT_DAY: Final = 200  # of the logged belt change
_HOUR_S: Final = 3600.0
_LOSSES: Final = frozenset({"bearing", "belt-slip", "tailwater", "phase-lost", "corroded-terminal", "jam"})
_SLIP: Final = 0.03


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
    """How many losses were found in time, how well they were dated, and in how many runs one was claimed too early."""

    tried: int = 0
    found: int = 0
    dated: int = 0
    early: int = 0
    days: list[float] = dataclasses.field(default_factory=list)

    def add(self, told: list[tuple[int, Drift]], onset: int, within: int, near: int) -> None:
        """Take the claims of one run."""
        self.tried += 1
        self.early += any(day < onset for day, _ in told)
        told = [(day, drift) for day, drift in told if day >= onset]
        if not told:
            return
        day, drift = told[0]
        took = day + 1 - onset
        self.days.append(took)
        self.found += took <= within
        self.dated += abs((drift.since - FIRST_DAY).days - onset) <= near


def _bearing_of(plant: Plant, share: float, seed: int) -> float:
    """Return the severity of a worn bearing that takes a share of the shaft's power at the middle flow of the days to come.

    A wheel that is braked turns slower and wastes less of its water, so more friction is needed than the share: the twin's
    own machine tells how much. The worst bearing that there is takes less than 20 % at high water.
    """
    season = Season(seed, FIRST_DAY)
    flows = [season.at((_ONSET + day / 4) * DAY_S).stream_l_s for day in range(4 * _LOOK)]
    middle = np.array([min(max(float(np.median(flows)), 2.0), plant.water.highest_flow_l_s)])
    severities = np.linspace(0.0, 1.0, 11)
    # At severity 1 it takes three times the healthy friction on top.
    shaft_w = [
        float(
            steady_chain(DEMO, USUAL, Ailment(bearing_factor=1 + 3 * severity)).look_up(middle)["shaft_w"][0]
        )
        for severity in severities.tolist()
    ]
    return float(np.interp(share, 1 - np.array(shaft_w) / shaft_w[0], severities))


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
    early = 0
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
            f"  loss of {100 * share:.0f} %, or as much as a bearing can, {', '.join(channels) or 'neither level nor torque'}"
            f"{', leaves on the weir' if mm else ''}: claimed in {len(result.days)} of {result.tried}, within {within} d "
            f"{share_found:.0f} %, dated within {near} d {share_dated:.0f} %, median {middle:.0f} d, "
            f"{result.early} claimed before it began"
        )
        early += result.early
        if name == "none":
            rows["loss_claims_without_sensor"] = (float(len(result.days)), "claims")
            continue
        rows[f"loss_found_days_{name}"] = (middle, "d")
        rows[f"loss_found_{name}_pct"] = (share_found, "%")
        rows[f"loss_dated_{name}_pct"] = (share_dated, "%")
    rows["loss_claimed_early"] = (float(early), "runs")
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
    """Count claims of drift in the three years where nothing is lost, debris, frost, rakes and a new belt among them.

    Each year is judged twice: with a torque arm on the shaft, and as a plant that has none.
    """
    told = {arm: fitted(DEMO, "stage_m", "alternator_rpm", "water_degc", *arm) for arm in ((), ("shaft_nm",))}
    with_arm = told["shaft_nm",]
    thinner = dataclasses.replace(with_arm, belt=dataclasses.replace(with_arm.belt, belt_mm=4.0))
    days = 150 if quick else _YEAR
    belt_day = 90 if quick else _BELT_DAY
    totals = dict.fromkeys(told, 0)
    for kind in ("everything",) if quick else ("wet", "dry", "everything"):
        faults = list(debris(len(kind), days))
        plan = happenings(with_arm, FIRST_DAY, days) if KINDS[kind].breaks else Orders()
        orders = Orders(faults=(*plan.faults, *faults), parked=plan.parked)
        halves = [
            twin.run(with_arm, days, true=true, orders=orders, seed=3, median_l_s=KINDS[kind].median_l_s)
            for true in (with_arm, thinner)
        ]
        run = _spliced(halves[0], halves[1], belt_day)
        restless_weir(run, 3)
        _noisy_torque(run, 3)
        restart = Restart(at_ms=int(run.ten.start_ms[belt_day * ROWS_A_DAY]), what="a new, thinner belt")
        for arm, plant in told.items():
            seen = run if arm else _without(run, "shaft_nm")
            false = _untrue(claims(seen, plant, 25, days, (restart,)), plan.faults)
            totals[arm] += len(false)
            sensors = "with a torque arm" if arm else "without one"
            say(
                f"  {kind} year of {days} days, {sensors}: {len(false)} false claims of drift {sorted(false) or ''}"
            )
    return {
        "false_drift_claims": (float(totals[()]), "claims"),
        "false_drift_claims_torque": (float(totals["shaft_nm",]), "claims"),
    }


def _untrue(told: Iterable[tuple[int, Drift]], faults: Iterable[Episode]) -> set[str]:
    """Return, in words, the claims at whose time no fault took anything from the plant."""
    lost = [fault for fault in faults if fault.name in _LOSSES]
    return {
        f"{drift.kind} since {drift.since}"
        for day, drift in told
        if not any(
            fault.onset_s / DAY_S - 2 <= day
            and (fault.cleared_s is None or (drift.since - FIRST_DAY).days <= fault.cleared_s / DAY_S)
            for fault in lost
        )
    }


def _without(run: Run, channel: str) -> Run:
    """Return a run as a plant without that sensor shows it."""
    columns = dict(run.ten.columns)
    columns[channel] = np.full_like(columns[channel], np.nan)
    return Run(TenMinutes(run.ten.start_ms, columns, run.ten.days), run.truth)


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
    tension, flow_l_s = _barely_slipping(made.plant, calm, 0.24 + 0.02 * (number % 8))
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


def _barely_slipping(plant: Plant, calm: Assumptions, tension: float) -> tuple[float, float]:
    """Return how slack a belt is, as asked or slacker, and the least flow [L/s] at which it then slips by 3 %.

    A little more flow, and it would not hold at all.
    """
    flows = np.linspace(2.5, 19.0, 1651)
    while True:
        table = steady_chain(plant, calm, Ailment.of(Condition(belt_tension=tension)))
        speeds = table.look_up(flows, ("wheel_rad_s", "alternator_rad_s"))
        slips = 1 - speeds["alternator_rad_s"] / speeds["wheel_rad_s"] / ratio_of(plant) >= _SLIP
        if slips.any():
            return tension, float(flows[np.argmax(slips)])
        tension -= 0.02


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - how all parts of the truth are called
    """Return all figures of this part, by key, with their unit."""
    rows: Rows = {}
    for part in (slips, losses, false_claims):
        rows |= part(quick, say)
    return rows
