"""Kinds of years, what happens in them, and how they are handed out."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.fast.household import MINUTES, Habits, day_of_loads
from wheelpit.twin.fast.years import FIRST_DAY, HAPPENINGS, KINDS, Year, happenings
from wheelpit.twin.faults import fault_of
from wheelpit.twin.season import Season
from wheelpit.twin.trouble import TwinError

DEMO = load_plant(demo_plant_path())


def test_months_are_those_of_the_calendar() -> None:
    assert list(Year(DEMO, days=365).months()) == [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert list(Year(DEMO, days=40, first_day=dt.date(2024, 2, 20)).months()) == [10, 30]
    assert list(Year(DEMO, days=3).months()) == [3]


def test_a_few_weeks_come_whole_and_close() -> None:
    year = Year(DEMO, days=45, kind="usual", seed=3)
    parts = list(year.records())
    assert [part.size for part in parts] == [31 * 8640, 14 * 8640]
    ends = np.concatenate([part.end_ms for part in parts])
    assert set(np.diff(ends)) == {10_000}
    assert ends[0] == int(dt.datetime(2025, 1, 1, tzinfo=dt.UTC).timestamp()) * 1000 + 10_000
    assert year.balance().error_share < 1e-3
    for name, total in parts[1].total.items():
        assert total[0] >= parts[0].total[name][-1], name


def test_the_same_seed_gives_the_same_records() -> None:
    one, other, third = (next(iter(Year(DEMO, days=2, seed=seed).records())) for seed in (4, 4, 5))
    for name, mean in one.mean.items():
        assert np.array_equal(mean, other.mean[name], equal_nan=True)
    assert not np.array_equal(one.mean["charge_a"], third.mean["charge_a"])


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_year_begins(kind: str) -> None:
    (records,) = Year(DEMO, days=1, kind=kind).records()
    assert records.size == 8640


def test_a_wet_year_brings_more_and_a_dry_one_less_water() -> None:
    def median_l_s(kind: str) -> float:
        told = KINDS[kind]
        season = Season(1, FIRST_DAY, median_l_s=told.median_l_s, rain_share=told.rain_share)
        return float(np.median([season.at(h * 3600.0).stream_l_s for h in range(8760)]))

    assert median_l_s("dry") < 0.6 * median_l_s("usual")
    assert median_l_s("wet") > 1.4 * median_l_s("usual")
    assert median_l_s("everything") == median_l_s("usual")


def test_in_the_year_of_everything_each_thing_happens_once() -> None:
    orders = happenings(DEMO, FIRST_DAY, 365)
    assert [episode.name for episode in orders.faults] == [told.fault for told in HAPPENINGS]
    for episode, told in zip(orders.faults, HAPPENINGS, strict=True):
        assert episode.onset_s == told.day * 86_400
        assert episode.cleared_s == pytest.approx(episode.onset_s + told.hours * 3600)
        assert episode.onset_s + episode.ramp_s < (episode.cleared_s or 0)
        assert fault_of(DEMO, told.fault)
    assert len(orders.parked) == 2
    assert [told.day for told in HAPPENINGS] == sorted(told.day for told in HAPPENINGS)


def test_over_new_year_it_happens_again() -> None:
    orders = happenings(DEMO, dt.date(2025, 12, 1), 60)
    assert min(episode.onset_s for episode in orders.faults) > 31 * 86_400
    twice = happenings(DEMO, FIRST_DAY, 3 * 365)
    assert sum(episode.name == "jam" for episode in twice.faults) >= 3


def test_what_happens_shows_in_the_records() -> None:
    # From the second of July: the jam of day 183 of the year.
    year = Year(DEMO, days=3, first_day=dt.date(2025, 7, 2))
    (records,) = year.records()
    (present,) = records.present
    assert present[1] == {"jam": 1.0}
    held = slice(present[0].start, present[0].stop)
    assert records.mean["wheel_rpm"][held].max() == 0
    assert "jam" in year.faults


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"kind": "wet one"}, "usual, wet, dry, everything"),
        ({"days": 0}, "0 days"),
        ({"node": "house"}, "use one of wheel"),
    ],
)
def test_what_cannot_be_made_says_why(options: dict[str, object], said: str) -> None:
    with pytest.raises(TwinError, match=said):
        Year(DEMO, **options)  # type: ignore[arg-type]


def test_a_household_s_day_is_its_own_but_like_the_others() -> None:
    days = [day_of_loads(Habits(), 9.0, 1, 739_000 + k, 1 + k) for k in range(365)]
    assert all(day.size == MINUTES and day.min() >= 14 for day in days)
    assert not np.array_equal(days[0], days[1])
    assert np.array_equal(days[3], day_of_loads(Habits(), 9.0, 1, 739_003, 4))
    winter_wh, summer_wh = (np.mean([day.sum() / 60 for day in part]) for part in (days[:30], days[160:190]))
    assert 700 < summer_wh < winter_wh < 1100
