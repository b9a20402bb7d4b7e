"""Energy missed, by cause, against the twin run again without the fault.

.venv/bin/python tests/bench/truth.py [--quick] missed
"""

from __future__ import annotations

import dataclasses
import functools
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench import season_twin as twin
from tests.bench.season_twin import DAY_S, DEMO, Run, fitted

from wheelpit.accounts.missed import missed_energy
from wheelpit.plant.limits import limits_of
from wheelpit.twin.fast.orders import Orders, Outage, Parked
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant import Plant

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]

_HOUR_S: Final = 3600.0
_ROW_S: Final = 600.0
_LEAST_WH: Final = 5.0
_NOTED_OFF_S: Final = 1800.0  # by which people misremember when they raked
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


def _rakings(run: Run, trial: _Trial, rng: np.random.Generator) -> list[int]:
    """Return what a logbook says of rakings [Unix ms]: one every third morning, and the one that cleared the leaves.

    People write down the time by heart: each is up to half an hour off.
    """
    done_s = np.arange(2.0, _RUN_DAYS, 3.0) * DAY_S + 9 * _HOUR_S
    cleared_s = [fault.cleared_s for fault in trial.orders.faults if fault.cleared_s is not None]
    noted_s = np.concatenate((done_s, cleared_s))
    noted_s += rng.uniform(-_NOTED_OFF_S, _NOTED_OFF_S, noted_s.size)
    return [int(run.ten.start_ms[0]) + round(1000 * at_s) for at_s in noted_s.tolist()]


@dataclass(slots=True)
class Rack:
    """How often leaves at the rack were found, and how often they were claimed where there were none."""

    tried: int = 0
    found: int = 0
    inside: int = 0
    false: int = 0

    def add(self, told: Plant, run: Run, trial: _Trial, raked_ms: list[int], true_wh: float) -> None:
        """Take a run; `true_wh` is what leaves kept back in it, 0 where there were none."""
        ask = functools.partial(missed_energy, run.ten, told, limits_of(told), raked_ms=raked_ms)
        everywhere, here = (
            next((one for one in found if one.cause == "clogging"), None)
            for found in (ask(), ask(rows=trial.rows) if true_wh > 0 else [])
        )
        self.tried += true_wh > 0
        self.found += here is not None
        self.inside += here is not None and here.energy_wh.low <= true_wh <= here.energy_wh.high
        self.false += (everywhere.episodes if everywhere else 0) - (here.episodes if here else 0)


def _in_series(plant: Plant) -> Plant:
    """Return a plant whose controller opens the source when the battery is full."""
    controller = dataclasses.replace(plant.controller, topology="series", dump_w=None)
    sensors = tuple(sensor for sensor in plant.sensors if sensor.channel != "dump_a")
    return dataclasses.replace(plant, controller=controller, sensors=sensors)


def _beside(plant: Plant) -> Plant:
    """Return the same plant with a controller that diverts beside the battery: the wheel gives what it can."""
    controller = dataclasses.replace(
        plant.controller, topology="diversion-at-battery", dump_w=DEMO.controller.dump_w
    )
    return dataclasses.replace(plant, controller=controller)


@dataclass(slots=True)
class Held:
    """What a full battery behind a series controller held back, over a month of each plant."""

    hits: list[bool] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    false: int = 0

    def add(self, number: int, say: Say) -> None:
        """Run a plant, and run it again with nothing held back."""
        told = _in_series(fitted(DEMO, "stage_m") if number % 2 else fitted(DEMO))
        made = variant(told, number)
        go = functools.partial(
            twin.run, told, _RUN_DAYS, assumptions=made.assumptions, seed=number, sensor_seed=made.sensor_seed
        )
        free, run = go(true=_beside(made.plant)), go(true=made.plant)
        begin = round(float(np.random.default_rng([number, 17]).uniform(60, 110)))
        rows = slice(begin * twin.ROWS_A_DAY, (begin + 30) * twin.ROWS_A_DAY)
        true_wh = float((free.truth["given_w"] - run.truth["given_w"])[rows].sum()) / 6
        limits = limits_of(told)
        found = missed_energy(run.ten, told, limits, rows=rows)
        figure = next((one.energy_wh for one in found if one.cause == "full battery"), None)
        self.false += any(
            one.cause == "full battery" for one in missed_energy(free.ten, told, limits, rows=rows)
        )
        if true_wh < _LEAST_WH:
            return
        hit = figure is not None and figure.low <= true_wh <= figure.high
        self.hits.append(hit)
        if figure is not None:
            self.off.append(figure.value / true_wh - 1)
            self.widths.append((figure.high - figure.low) / 2 / true_wh)
        if not hit:
            shown = "nothing" if figure is None else f"{figure.value:.0f} +- {1.96 * figure.u:.0f}"
            say(f"    plant {number}, full battery in series: {shown} Wh found, {true_wh:.0f} Wh true")


def _all_held(plants: int, say: Say) -> Held:
    """Run so many plants whose controller opens the source when the battery is full."""
    held = Held()
    for number in range(1, plants + 1):
        held.add(number, say)
    say(
        f"  held back by a full battery, controller in series: {sum(held.hits)} of {len(held.hits)} inside the interval, "
        f"off by {100 * float(np.median(held.off)):+.1f} % in the middle, {100 * float(np.abs(held.off).max()):.0f} % at "
        f"most; {held.false} claimed where nothing was held back"
    )
    return held


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - how all parts of the truth are called
    """Compare the energy missed by cause with the twin run again without the fault: figures by key, with their unit."""
    inside: dict[str, list[bool]] = {cause: [] for cause in _CASES}
    widths: list[float] = []
    racks = {"without a logbook": Rack(), "with rakings noted": Rack()}
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
            if cause == "clogging":
                notes = _rakings(run, trial, np.random.default_rng([number, 13]))
                for rack, raked_ms in zip(racks.values(), ([], notes), strict=True):
                    rack.add(told, run, trial, raked_ms, true_wh)
                    rack.add(told, well, trial, raked_ms, 0.0)
    held = _all_held(3 if quick else 20, say)
    every = [hit for hits in inside.values() for hit in hits]
    for cause, hits in inside.items():
        say(f"  missed by {cause}: {sum(hits)} of {len(hits)} inside the interval")
    for how, rack in racks.items():
        say(
            f"  leaves at the rack, {how}: {rack.found} of {rack.tried} found, {rack.inside} inside the interval, "
            f"{rack.false} claimed where there were none"
        )
    width = float(np.median(widths)) if widths else float("nan")
    bare, noted = racks.values()
    return {
        "missed_energy_inside_pct": (100 * sum(every) / max(len(every), 1), "%"),
        "missed_energy_interval_pct": (100 * width, "% of the energy, median half width"),
        "clogging_found_pct": (100 * bare.found / max(bare.tried, 1), "%"),
        "clogging_found_noted_pct": (100 * noted.found / max(noted.tried, 1), "%"),
        "held_back_inside_pct": (100 * sum(held.hits) / max(len(held.hits), 1), "%"),
        "held_back_interval_pct": (100 * float(np.median(held.widths)), "% of the energy, median half width"),
        "false_held_back": (float(held.false), "claims"),
        "false_clogging": (float(bare.false + noted.false), "claims"),
    }
