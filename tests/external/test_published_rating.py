"""Flow from stage against gaugings of a river with their published fit, worked pairs, and an independent propagation."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wheelpit.accounts.commission.rating import fit_rating
from wheelpit.physics.rating import RatingLaw, extrapolation_u, rating_flow, rating_slope, rating_stage

_library: Any = importlib.import_module("uncertainties")  # it has no types
_DATA = Path(__file__).parent / "data" / "sainte_anne_gaugings.csv"
_RIVER = (
    "RatingCurves.jl (JuliaExtremes), tutorial 'Rating curve fitting': 194 gaugings of the Sainte-Anne, station 050408, "
    "least squares of ln q = ln a + c ln(h - b): a 76.38924950581774, b 26.54581500260024, c 1.653076883262162"
)
_A, _ZERO_M, _EXPONENT = 76.38924950581774, 26.54581500260024, 1.653076883262162


@pytest.mark.source(_RIVER)
def test_gaugings_of_a_river_give_the_published_rating() -> None:
    level_m, flow_m3_s, times = np.loadtxt(_DATA, delimiter=",", skiprows=3, unpack=True)
    listed = times.astype(int)
    assert listed.sum() == 194
    fitted = fit_rating(np.repeat(level_m, listed).tolist(), np.repeat(1000 * flow_m3_s, listed).tolist())
    assert fitted.a == pytest.approx(1000 * _A, rel=1e-6)
    assert fitted.zero_m == pytest.approx(_ZERO_M, abs=1e-6)
    assert fitted.b == pytest.approx(_EXPONENT, rel=1e-6)
    assert (fitted.from_m, fitted.to_m) == (26.771, 31.276)


@pytest.mark.source(
    _RIVER + "; the least flow gauged, 7.759 m3/s at 26.788 m, and the largest, 917.891 at 31.276"
)
def test_the_published_rating_passes_the_gaugings() -> None:
    law = RatingLaw(_A, _ZERO_M, _EXPONENT)
    for level_m, flow_m3_s in ((26.788, 7.759), (28.465, 236.681), (31.276, 917.891)):
        assert rating_flow(law, level_m) == pytest.approx(flow_m3_s, rel=0.12)
        assert rating_stage(law, rating_flow(law, level_m)) == pytest.approx(level_m, abs=1e-9)
    assert rating_flow(law, 26.5) == 0.0


@pytest.mark.source(
    "RatingCurves.jl, its own test of rcfit: levels 2, 3, 4 and flows 3, 12, 27 give a 3, b 1, c 2"
)
def test_a_rating_of_whole_numbers() -> None:
    law = RatingLaw(3.0, 1.0, 2.0)
    assert [rating_flow(law, level_m) for level_m in (2.0, 3.0, 4.0)] == pytest.approx([3.0, 12.0, 27.0])
    assert [rating_stage(law, flow) for flow in (3.0, 12.0, 27.0)] == pytest.approx([2.0, 3.0, 4.0])
    fitted = fit_rating([2.0, 3.0, 4.0, 5.0], [3.0, 12.0, 27.0, 48.0])
    assert (fitted.a, fitted.zero_m, fitted.b) == pytest.approx((3.0, 1.0, 2.0), rel=1e-5)


@pytest.mark.source("the library uncertainties 3.2: linear propagation of Q = C (h - h0)^n")
def test_what_an_error_of_level_and_exponent_costs() -> None:
    law = RatingLaw(0.32, -0.02, 2.4)
    flow = law.coefficient_m3_s * (_library.ufloat(0.2, 0.002) - law.zero_m) ** law.exponent
    assert rating_slope(law, 0.2) * 0.002 == pytest.approx(flow.std_dev / flow.nominal_value, rel=1e-9)
    # Beyond 0.3 m the relation goes on from what it is there, with an exponent that may be another.
    edge = rating_flow(law, 0.3)
    beyond = edge * ((0.45 - law.zero_m) / (0.3 - law.zero_m)) ** _library.ufloat(law.exponent, 0.25)
    assert beyond.nominal_value == pytest.approx(rating_flow(law, 0.45))
    share = extrapolation_u(law, 0.45, 0.1, 0.3, 0.25)
    assert share == pytest.approx(beyond.std_dev / beyond.nominal_value, rel=1e-9)
    assert extrapolation_u(law, 0.2, 0.1, 0.3, 0.25) == 0.0
