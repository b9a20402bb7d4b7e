"""Drift and slip are claimed where the channels can tell them, dated, and not otherwise."""

from __future__ import annotations

import dataclasses
import datetime as dt
import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wheelpit.accounts.baselines import Restart, learn
from wheelpit.accounts.drift import drifts, not_told
from wheelpit.accounts.matching import MatchingError, match
from wheelpit.accounts.slip import SlipWatch, healthy_belt
from wheelpit.accounts.water import flow_of_stage
from wheelpit.physics.flow import v_notch_flow
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import LinearSensor, NotchWeir
from wheelpit.plant.rating import rating_of

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows_of_ten_minutes import FIRST, ROWS_A_DAY, running

BENCH = Path(__file__).resolve().parents[1] / "bench"
DEMO = load_plant(demo_plant_path())
STAGE = LinearSensor(
    channel="stage_m", node="wheel", kind="linear", pin=28, mv_per_unit=10_000.0, at="headrace"
)
WEIR = NotchWeir(kind="v-notch", notch_deg=90.0, crest_height_m=0.5, channel_width_m=1.2)
RATED = dataclasses.replace(DEMO, sensors=(*DEMO.sensors, STAGE), weir=WEIR)
RATING: Any = rating_of(RATED)
DAYS = 80
ONSET = 60


def part(name: str) -> Any:
    spec = importlib.util.spec_from_file_location(name, BENCH / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def worn(loss: float, seed: int = 1) -> Any:
    """Return days at a wandering level, with so much of the power lost from one day on."""
    rng = np.random.default_rng(seed)
    stage = 0.12 + 0.02 * np.sin(np.arange(DAYS * ROWS_A_DAY) / 300) + rng.normal(0, 2e-4, DAYS * ROWS_A_DAY)
    watts = 7.0 * flow_of_stage(RATING, stage).flow_l_s
    watts[ONSET * ROWS_A_DAY :] *= 1 - loss
    ten = running(watts)
    ten.columns["stage_m"][:] = stage
    return ten


def test_flow_over_the_weir_is_the_formula_s() -> None:
    heads = np.array([0.05, 0.06, 0.1, 0.15, 0.2, 0.21])
    found = flow_of_stage(RATING, heads)
    assert found.inside.tolist() == [
        False,
        True,
        True,
        True,
        True,
        False,
    ]  # 0.4 of the crest's height is the most
    assert found.share_u[1:5] == pytest.approx(0.005)
    assert (found.share_u[[0, 5]] > 0.008).all()
    for head, flow in zip(heads[1:5], found.flow_l_s[1:5], strict=True):
        gravity = 9.8144  # near enough: the check is of the shape
        assert flow == pytest.approx(1000 * v_notch_flow(head, 90.0, gravity_m_s2=gravity), rel=1e-3)


def test_a_loss_is_claimed_with_its_size_and_day() -> None:
    (drift,) = drifts(worn(0.1), RATED)
    assert drift.kind == "flow"
    assert drift.share.value == pytest.approx(-0.1, abs=0.01)
    assert abs((drift.since - FIRST).days - ONSET) <= 1
    assert "weir" in drift.causes
    assert "rack" in drift.causes


def test_no_loss_no_claim_and_none_without_a_level() -> None:
    assert drifts(worn(0.0), RATED) == []
    ten = worn(0.2)
    ten.columns["stage_m"][:] = np.nan
    assert drifts(ten, DEMO) == []
    assert any("takes stage_m" in line for line in not_told(DEMO))
    assert any("alternator_rpm" in line for line in not_told(DEMO))


def test_a_logged_change_begins_anew() -> None:
    ten = worn(0.1)
    restart = Restart(at_ms=int(ten.start_ms[ONSET * ROWS_A_DAY]), what="belt changed")
    assert drifts(ten, RATED, (restart,)) == []
    assert learn(ten, RATED, (restart,)).why == "belt changed"
    base = learn(ten.part(0, ONSET * ROWS_A_DAY), RATED)
    assert base.power_of_flow is not None
    at = np.array([10.0])
    assert base.power_of_flow.at(at)[0] == pytest.approx(70.0, rel=0.01)
    assert np.isnan(base.power_of_flow.at(np.array([100.0]))[0])
    assert base.ratio is None


def belt_rows() -> Any:
    watts = np.repeat(np.linspace(20, 100, 10), ROWS_A_DAY)
    ten = running(watts)
    ten.columns["alternator_rpm"][:] = 10.0 * 17.86 * (1 - watts * 1e-5)
    return ten


def test_slip_is_found_within_minutes_and_creep_is_not_slip() -> None:
    belt = healthy_belt(belt_rows(), DEMO)
    assert belt is not None
    watch = SlipWatch(belt)
    found = None
    for n in range(600):
        share = 0.0 if n < 300 else 0.03
        slip = watch.record(n * 10_000, (n + 1) * 10_000, 10.0, 178.6 * (1 - 7e-4) * (1 - share), 70.0)
        found = found or slip
    assert found is not None
    assert found.since_ms == 3_000_000
    assert found.found_ms - found.since_ms <= 10 * 60_000
    assert found.share.value == pytest.approx(0.03, abs=0.015)
    idle = SlipWatch(belt)
    assert all(idle.record(n * 10_000, (n + 1) * 10_000, 10.0, 100.0, 1.0) is None for n in range(100))


def test_without_the_second_speed_no_slip_is_learned() -> None:
    assert healthy_belt(running(np.full(1440, 50.0)), DEMO) is None


def test_no_match_without_a_level_or_a_load_test() -> None:
    with pytest.raises(MatchingError, match="load test"):
        match(running(np.full(1440, 50.0)), DEMO)


@pytest.mark.slow
def test_losses_slips_and_missed_energy_are_true_of_the_twin() -> None:
    season = part("truth_season")
    minutes, off, false = season._slipping(1)
    assert (minutes <= 10, off <= 60, false) == (True, True, 0)
    told = season.fitted(season.DEMO, "stage_m")
    made = season.variant(told, 1)
    episode = season.Episode("bearing", 60 * season.DAY_S, 0.5)
    kept = {"true": made.plant, "assumptions": made.assumptions, "seed": 1}
    run = season.twin.run(told, 75, orders=season.Orders(faults=(episode,)), **kept)
    assert drifts(run.ten.part(0, 60 * ROWS_A_DAY), told) == []
    (drift,) = drifts(run.ten, told)
    assert abs((drift.since - dt.date(2025, 3, 2)).days) <= 7


@pytest.mark.slow
def test_a_match_is_true_of_the_twin() -> None:
    judged = part("truth_matching").judge(1, days=25)
    assert judged.regret <= 0.01
    assert judged.safe
    assert judged.found.worth
    assert judged.found.best.gain.low <= judged.true_gain <= judged.found.best.gain.high
    assert all(choice.runaway_v <= judged.found.bears_v for choice in judged.found.pulleys if choice.allowed)
