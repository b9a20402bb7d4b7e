"""Matching against the twin: is the named pulley the best, is its gain inside its interval, is it ever unsafe?

.venv/bin/python tests/bench/truth_matching.py [--quick]
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench import season_twin as twin
from tests.bench.season_twin import DEMO, fitted

from wheelpit.accounts.matching import Match, match
from wheelpit.plant.description import FoldBackConverter
from wheelpit.plant.operating import runaway
from wheelpit.twin.fast.steady import steady_chain
from wheelpit.twin.variety import Variant, variant

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from wheelpit.plant import Plant

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]

_DAYS: Final = 120
_PLANTS: Final = 30


def told_plant(number: int) -> Plant:
    """Return the plant that is described: the demo, one with a slower alternator, one whose converter bears more."""
    plant = fitted(DEMO, "stage_m")
    if number % 3 == 1:
        return dataclasses.replace(plant, belt=dataclasses.replace(plant.belt, pulley_diameter_m=0.112))
    if number % 3 == 2:
        assert isinstance(plant.converter, FoldBackConverter)
        stout = dataclasses.replace(plant.converter, largest_input_v=150.0, parts_v=200.0)
        return dataclasses.replace(plant, converter=stout)
    return plant


def with_pulley(plant: Plant, factor: float) -> Plant:
    """Return a plant with a pulley that is larger by a factor."""
    belt = dataclasses.replace(plant.belt, pulley_diameter_m=factor * plant.belt.pulley_diameter_m)
    return dataclasses.replace(plant, belt=belt)


def true_energy(made: Variant, factor: float, flows_l_s: NDArray[np.float64]) -> float:
    """Return the mean power that the twin's machine gives at some flows with another pulley [W]."""
    table = steady_chain(with_pulley(made.plant, factor), made.assumptions)
    return float(table.look_up(np.minimum(flows_l_s, table.flow_l_s[-1]), ("given_w",))["given_w"].mean())


class Judged(NamedTuple):
    """One plant's answer against its truth: shares, and whether the named pulley stays below the converter's limit."""

    found: Match
    regret: float
    true_gain: float
    safe: bool


def judge(number: int, days: int = _DAYS) -> Judged:
    """Let a plant run, ask for its match, and compare with the twin."""
    told = told_plant(number)
    made = variant(told, number)
    run = twin.run(
        told, days, true=made.plant, assumptions=made.assumptions, seed=number, sensor_seed=made.sensor_seed
    )
    found = match(run.ten, told)
    flows = run.truth["flow_l_s"]
    now_mm = found.today.pulley_mm
    energies = {
        choice.pulley_mm: true_energy(made, choice.pulley_mm / now_mm, flows)
        for choice in found.pulleys
        if choice.allowed or choice is found.today
    }
    here = energies[found.best.pulley_mm]
    racing = runaway(with_pulley(made.plant, found.best.pulley_mm / now_mm), told.water.highest_flow_l_s)
    unchanged = found.best.pulley_mm == now_mm
    limit_v = getattr(told.converter, "largest_input_v", np.inf)
    return Judged(
        found,
        1 - here / max(energies.values()),
        here / energies[now_mm] - 1,
        unchanged or racing.open_v <= limit_v,
    )


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - how all parts of the truth are called
    """Return all figures of this part, by key, with their unit."""
    judged: list[Judged] = []
    for number in range(1, (3 if quick else _PLANTS) + 1):
        one = judge(number)
        judged.append(one)
        gain = one.found.best.gain
        say(
            f"  plant {number}: {one.found.today.ratio:.1f}:1 -> {one.found.best.ratio:.1f}:1, gain told "
            f"{100 * gain.value:.1f} % ({100 * gain.low:.1f} to {100 * gain.high:.1f}), true {100 * one.true_gain:.1f} %, "
            f"regret {100 * one.regret:.2f} %, {'worth' if one.found.worth else 'not worth'} a pulley"
        )
    changed = [one for one in judged if one.found.best.pulley_mm != one.found.today.pulley_mm]
    inside = [one.found.best.gain.low <= one.true_gain <= one.found.best.gain.high for one in changed]
    wrong = sum(one.found.worth and one.true_gain < 0.01 for one in judged)
    return {
        "matching_regret_pct": (100 * max(one.regret for one in judged), "%"),
        "matching_gain_inside_pct": (100 * sum(inside) / max(len(inside), 1), "%"),
        "matching_unsafe": (float(sum(not one.safe for one in judged)), "ratios"),
        "matching_not_worth_it": (float(wrong), "pulleys"),
    }
