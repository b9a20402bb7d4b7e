"""Energy missed: a flood is not little water, and a raking that was noted tells leaves from rain."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wheelpit.accounts.logged import logged
from wheelpit.accounts.missed import missed_energy
from wheelpit.accounts.season import season
from wheelpit.accounts.water import flow_of_stage
from wheelpit.plant import demo_plant_path, limits_of, load_plant
from wheelpit.plant.description import LinearSensor, NotchWeir
from wheelpit.plant.rating import rating_of
from wheelpit.store.logbook import FILE, RAKED, Draft, Logbook

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows_of_ten_minutes import ROWS_A_DAY, running, stop

DEMO = load_plant(demo_plant_path())
STAGE = LinearSensor(
    channel="stage_m", node="wheel", kind="linear", pin=28, mv_per_unit=10_000.0, at="headrace"
)
WEIR = NotchWeir(kind="v-notch", notch_deg=90.0, crest_height_m=0.5, channel_width_m=1.2)
RATED = dataclasses.replace(DEMO, sensors=(*DEMO.sensors, STAGE), weir=WEIR)
RATING: Any = rating_of(RATED)
HALF_HOUR_MS = 30 * 60_000
LEAVES = slice(2000, 2060)  # ten hours


def causes(power_w: np.ndarray, raked_ms: tuple[int, ...] = ()) -> list[str]:
    return [one.cause for one in missed_energy(running(power_w), DEMO, limits_of(DEMO), raked_ms=raked_ms)]


def raked_at(row: int, off_ms: int = 0) -> tuple[int, ...]:
    return (int(running(np.ones(1)).start_ms[0]) + row * 600_000 + off_ms,)


def rising(with_leaves: float = 0.0) -> np.ndarray:
    """Return a stream that has risen by half for a day, with or without leaves that close the rack in five hours."""
    power_w = np.full(30 * ROWS_A_DAY, 60.0)
    power_w[:1950] = 40.0
    power_w[1950:2060] = np.linspace(40.0, 60.0, 110)
    power_w[LEAVES] *= 1 - with_leaves * np.minimum(np.arange(60) / 30, 1)
    return power_w


@pytest.mark.parametrize(
    ("level_m", "cause"),
    [
        (RATING.to_m + 0.1, "stall"),  # a flood: more water than was ever gauged
        (RATING.from_m - 0.02, "low water"),
        (0.12, "stall"),
    ],
)
def test_a_stop_in_a_flood_is_not_for_want_of_water(level_m: float, cause: str) -> None:
    stage = 0.12 + 0.02 * np.sin(np.arange(30 * ROWS_A_DAY) / 300)
    ten = running(7.0 * flow_of_stage(RATING, stage).flow_l_s)
    ten.columns["stage_m"][:] = stage
    stop(ten, slice(3000, 3060))
    ten.columns["stage_m"][3000:3060] = level_m
    assert [one.cause for one in missed_energy(ten, RATED, limits_of(RATED))] == [cause]


@pytest.mark.parametrize("off_ms", [-HALF_HOUR_MS, 0, HALF_HOUR_MS])
def test_a_noted_raking_tells_leaves_in_a_rising_stream(off_ms: int) -> None:
    leaves, clean = rising(0.4), rising()
    noted = raked_at(LEAVES.stop, off_ms)
    assert causes(leaves) == []
    assert causes(clean, noted) == []
    (found,) = missed_energy(running(leaves), DEMO, limits_of(DEMO), raked_ms=noted)
    true_wh = float((clean - leaves).sum()) / 6
    assert found.cause == "clogging"
    assert found.energy_wh.low <= true_wh <= found.energy_wh.high


def test_a_raking_noted_at_another_time_changes_nothing() -> None:
    leaves = rising(0.4)
    start = raked_at(0)[0]
    for noted in (raked_at(LEAVES.stop + 20), (start - 10**9,), (start + 10**11,)):
        assert causes(leaves, noted) == []


def test_small_steps_count_only_where_a_raking_was_noted() -> None:
    power_w = np.full(30 * ROWS_A_DAY, 60.0)
    power_w[LEAVES] *= 1 - 0.15 * np.minimum(np.arange(60) / 30, 1)
    assert causes(power_w) == []
    assert causes(power_w, raked_at(LEAVES.stop)) == ["clogging"]


def test_a_shower_that_takes_an_hour_is_no_raking() -> None:
    power_w = np.full(30 * ROWS_A_DAY, 110.0)
    power_w[2000:2075] = 110.0 * np.exp(-np.arange(75) / 250)
    raked = causes(power_w)
    power_w[2074:2083] = (82.0, 80.0, 80.0, 83.0, 89.0, 96.0, 100.0, 106.0, 110.0)
    assert raked == ["clogging"]
    assert causes(power_w) == []


def test_a_stream_that_fell_and_rose_again_before_the_raking_was_not_clogged() -> None:
    power_w = np.full(30 * ROWS_A_DAY, 60.0)
    power_w[2000:2100] = np.interp(np.arange(100), (0, 20, 40, 99), (60.0, 20.0, 50.0, 50.0))
    assert causes(power_w, raked_at(2100)) == []


def test_the_logbook_s_rakings_reach_the_season(tmp_path: Path) -> None:
    (noted,) = raked_at(LEAVES.stop)
    book = Logbook(tmp_path / FILE)
    book.write(Draft(site="mill", kind=RAKED, from_ms=noted), noted + 1)
    found = season(running(rising(0.4)), DEMO, raked_ms=logged(tmp_path, "mill", noted + 1).raked_ms)
    assert found is not None
    assert [one.cause for one in found.missed] == ["clogging"]
