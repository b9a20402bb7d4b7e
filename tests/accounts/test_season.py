"""Seasons: nothing is filled in, and what is compared was measured in both years."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest

from wheelpit.accounts.missed import missed_energy
from wheelpit.accounts.season import season
from wheelpit.accounts.tenminutes import stood_on_purpose
from wheelpit.plant import demo_plant_path, limits_of, load_plant
from wheelpit.plant.description import OtherSource

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows_of_ten_minutes import FIRST, ROWS_A_DAY, running, stop

DEMO = load_plant(demo_plant_path())


def days_of(power_w: list[float]) -> np.ndarray:
    return np.repeat(np.array(power_w, float), ROWS_A_DAY)


def test_months_add_up_to_the_season_and_keep_their_coverage() -> None:
    ten = running(days_of([60.0] * 59))
    stop(ten, slice(31 * ROWS_A_DAY, 34 * ROWS_A_DAY), dark=True)
    found = season(ten, DEMO)
    assert found is not None
    january, february = found.months
    assert january.energy_wh is not None
    assert february.energy_wh is not None
    assert january.energy_wh.value == pytest.approx(31 * 24 * 60)
    assert february.energy_wh.value == pytest.approx(25 * 24 * 60)
    assert january.coverage == 1.0
    assert february.coverage == pytest.approx(25 / 28)
    assert [bar.energy_wh is None for bar in february.days[:4]] == [True, True, True, False]
    assert found.energy_wh is not None
    assert found.energy_wh.value == pytest.approx(56 * 24 * 60)
    # Errors of gain are the same all year: shares, not squares, add up.
    shares = [month.energy_wh.u / month.energy_wh.value for month in found.months if month.energy_wh]
    assert found.energy_wh.u / found.energy_wh.value == pytest.approx(np.mean(shares), rel=0.05)
    assert found.mean_w is not None
    assert found.mean_w.value == pytest.approx(60.0)
    assert found.capacity_factor is not None
    assert found.capacity_factor.value == pytest.approx(60.0 / 150.0)
    assert found.power_curve is not None
    assert found.power_curve[0] == pytest.approx(60.0, rel=1e-6)


def test_years_are_compared_over_what_was_measured_in_both() -> None:
    ten = running(days_of([50.0] * 365 + [60.0] * 59))
    stop(ten, slice(10 * ROWS_A_DAY, 20 * ROWS_A_DAY), dark=True)  # missing a year ago
    stop(ten, slice(370 * ROWS_A_DAY, 375 * ROWS_A_DAY), dark=True)  # and other days now
    found = season(ten, DEMO, dt.date(2026, 1, 1))
    assert found is not None
    assert found.against is not None
    assert found.against.shared == pytest.approx((59 - 10 - 5) / 59)
    assert found.against.last_wh.value == pytest.approx(44 * 24 * 50)
    assert found.against.change is not None
    assert found.against.change.value == pytest.approx(0.2)
    # Both years have the same sensors: their gain cancels in the comparison.
    assert found.against.change.u < found.against.this_wh.u / found.against.this_wh.value
    assert found.outlook is not None
    assert (found.outlook.years, found.outlook.energy_wh.origin) == (1, "modelled")
    assert found.outlook.energy_wh.value == pytest.approx(30 * 24 * 50)


def test_without_a_year_before_there_is_no_comparison_and_no_outlook() -> None:
    found = season(running(days_of([50.0] * 40)), None)
    assert found is not None
    assert (found.against, found.outlook, found.capacity_factor) == (None, None, None)
    assert any("no plant is described" in note for note in found.notes)
    assert season(running(days_of([50.0] * 3)), None, dt.date(2030, 1, 1)) is None


def test_battery_current_says_nothing_while_another_source_feeds_the_bank() -> None:
    ten = running(days_of([50.0] * 10))
    for name in ("charge_mwh", "charge_valid_ms"):
        ten.columns[name.replace("charge_mwh", "battery_in_mwh").replace("charge_valid", "battery_valid")][
            :
        ] = ten.columns[name]
        ten.columns[name][:] = 0
    lower = season(ten, DEMO)
    assert lower is not None
    assert lower.energy_wh is not None
    assert lower.energy_wh.origin == "lower-bound"
    sun = dataclasses.replace(DEMO, other_sources=(OtherSource(kind="solar", rated_w=200.0),))
    blind = season(ten, sun)
    assert blind is not None
    assert (blind.energy_wh, blind.mean_w, blind.power_curve, blind.weeks) == (None, None, None, ())


def test_best_and_worst_weeks() -> None:
    ten = running(days_of([40.0] * 5 + [80.0] * 7 + [20.0] * 7 + [50.0] * 14))  # 2025-01-06 is a Monday
    found = season(ten, DEMO)
    assert found is not None
    assert found.best_weeks[0].monday == dt.date(2025, 1, 6)
    assert found.worst_weeks[0].monday == dt.date(2025, 1, 13)
    assert found.worst_weeks[0].mean_w.value == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("how", "cause"), [({}, "stall"), ({"parked": True}, "parked"), ({"dark": True}, "no data")]
)
def test_what_a_stop_missed_is_bridged_and_named(how: dict[str, bool], cause: str) -> None:
    ten = running(days_of([60.0] * 40))
    stop(ten, slice(3000, 3060), **how)
    (found,) = missed_energy(ten, DEMO, limits_of(DEMO))
    assert found.cause == cause
    assert found.episodes == 1
    assert found.hours == pytest.approx(10.0)
    assert found.energy_wh.value == pytest.approx(600.0)
    assert found.energy_wh.origin == "modelled"
    assert found.energy_wh.u >= 0.02 * 600


def test_a_gate_closed_by_hand_and_logged_later_is_no_stall() -> None:
    ten = running(days_of([60.0] * 40))
    stop(ten, slice(3000, 3060))
    logged = stood_on_purpose(ten, [(int(ten.start_ms[3000]), int(ten.start_ms[3060]))])
    assert [one.cause for one in missed_energy(logged, DEMO, limits_of(DEMO))] == ["parked"]
    assert [one.cause for one in missed_energy(ten, DEMO, limits_of(DEMO))] == ["stall"]


def test_a_raked_rack_is_found_and_rain_is_not() -> None:
    leaves = days_of([60.0] * 30)
    leaves[2000:2060] *= np.linspace(1.0, 0.5, 60)  # ten hours, then raked
    ten = running(leaves)
    (found,) = missed_energy(ten, DEMO, limits_of(DEMO))
    assert (found.cause, found.episodes) == ("clogging", 1)
    assert found.energy_wh.value == pytest.approx(60 * 10 / 4, rel=0.15)
    rain = 40.0 * np.exp(-np.arange(30 * ROWS_A_DAY) / 1e4)
    rain[2000:] *= 1 + 0.8 * (1 - np.exp(-np.arange(rain.size - 2000) / 18))
    assert missed_energy(running(rain), DEMO, limits_of(DEMO)) == []


def test_the_day_that_is_not_over_takes_part_with_what_there_is() -> None:
    ten = running(days_of([60.0] * 30))
    stop(ten, slice(29 * ROWS_A_DAY + 72, 30 * ROWS_A_DAY), dark=True)
    found = season(ten, DEMO, today=FIRST + dt.timedelta(days=29))
    assert found is not None
    assert found.months[0].days[29].coverage == pytest.approx(0.5)
    assert found.months[0].days[29].energy_wh == pytest.approx(12 * 60)
