"""The year at the stream, and streams that were measured."""

from __future__ import annotations

import dataclasses
import datetime as dt
from statistics import fmean, median
from typing import TYPE_CHECKING

import pytest
from tests.twin.plants import CALM, DEMO, with_parts

from wheelpit.physics.flow import v_notch_flow
from wheelpit.plant.description import LinearSensor, NotchWeir
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.season import DailyFlow, Season, Weather, read_daily_flow
from wheelpit.twin.surroundings import River
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from pathlib import Path

HOUR_S, YEAR_H = 3600, 8766
NEW_YEAR = dt.date(2025, 1, 1)


def _year(seed: int, **how: float) -> list[Weather]:
    season = Season(seed, NEW_YEAR, **how)
    return [season.at(hour * HOUR_S) for hour in range(YEAR_H)]


def _month(year: list[Weather], month: int) -> list[Weather]:
    return year[(month - 1) * YEAR_H // 12 : month * YEAR_H // 12]


@pytest.fixture(scope="module")
def years() -> list[list[Weather]]:
    return [_year(seed) for seed in range(4)]


def test_the_stream_has_its_median_its_floods_and_its_drought(years: list[list[Weather]]) -> None:
    flows = sorted(hour.stream_l_s for year in years for hour in year)
    assert median(flows) == pytest.approx(6.0, rel=0.15)
    assert flows[len(flows) // 20] < 3
    assert flows[-len(flows) // 100] > 15
    assert flows[0] > 0.2
    for year in years:
        assert median(h.stream_l_s for h in _month(year, 8)) < 0.75 * median(
            h.stream_l_s for h in _month(year, 1)
        )


def test_rain_raises_it_within_hours_and_it_recedes_over_days(years: list[list[Weather]]) -> None:
    flows = [hour.stream_l_s for hour in years[0]]
    top = max(range(100, len(flows) - 200), key=flows.__getitem__)
    assert flows[top - 24] < 0.5 * flows[top]
    after = [flows[top + hours] for hours in (24, 72, 168)]
    assert flows[top] > after[0] > min(after[1:])
    assert after[2] > 0.02 * flows[top]


def test_a_dry_year_is_drier_and_a_wet_one_wetter() -> None:
    dry, usual, wet = (fmean(h.stream_l_s for h in _year(7, rain_share=share)) for share in (0.55, 1.0, 1.35))
    assert dry < 0.65 * usual
    assert wet > 1.25 * usual


def test_it_freezes_in_winter_only_and_thaws(years: list[list[Weather]]) -> None:
    for year in years:
        assert all(hour.ice == 0 for month in (5, 6, 7, 8, 9) for hour in _month(year, month))
        assert all(0 <= hour.ice <= 1 for hour in year)
    assert max(hour.ice for year in years for hour in year) > 0.9
    assert fmean(hour.ice > 0.2 for year in years for hour in year) < 0.06


def test_leaves_fall_in_autumn_and_are_raked_in_the_morning(years: list[list[Weather]]) -> None:
    for year in years:
        leaves = [hour.leaves for hour in year]
        assert max(leaves[: 9 * YEAR_H // 12]) == 0
        assert 0.3 < max(leaves) < 0.7
        raked = [hour for hour in range(1, YEAR_H) if leaves[hour] < leaves[hour - 1]]
        assert raked
        assert {hour % 24 for hour in raked} == {9}


def test_air_water_and_room_follow_the_year(years: list[list[Weather]]) -> None:
    for year in years:
        july, january = _month(year, 7), _month(year, 1)
        assert fmean(h.air_degc for h in july) - fmean(h.air_degc for h in january) == pytest.approx(
            13, abs=4
        )
        assert all(h.water_degc >= 0 for h in year)
        spread = [max(getattr(h, of) for h in july) - min(getattr(h, of) for h in july) for of in ("air_degc", "room_degc", "water_degc")]  # fmt: skip
        assert spread[0] > spread[1] > spread[2]


def test_a_season_is_a_function_of_its_seed_and_of_time_alone() -> None:
    one, other, third = Season(5, NEW_YEAR), Season(5, NEW_YEAR), Season(6, NEW_YEAR)
    late, early = one.at(90 * 86400.5), one.at(12345.6)
    assert (other.at(12345.6), other.at(90 * 86400.5)) == (early, late)
    assert third.at(90 * 86400.5) != late
    between = one.at(1.5 * HOUR_S)
    assert between.stream_l_s == pytest.approx(
        fmean([one.at(HOUR_S).stream_l_s, one.at(2 * HOUR_S).stream_l_s])
    )


def test_a_measured_stream_is_followed_day_by_day() -> None:
    stream = DailyFlow([4.0, 9.5, 0.0])
    assert [stream.at(day * 86_400.0 + 5).stream_l_s for day in range(5)] == [4.0, 9.5, 0.0, 0.0, 0.0]
    twin = TwinPlant(DEMO, flow_l_s=20.0, source=stream, assumptions=CALM)
    assert twin.river.flow_l_s == pytest.approx(4.0)
    assert twin.mean["wheel_rpm"] == pytest.approx(
        TwinPlant(DEMO, flow_l_s=4.0, assumptions=CALM).mean["wheel_rpm"]
    )


@pytest.mark.parametrize("bad", [[], [3.0, -1.0], [float("nan")], [float("inf")]])
def test_a_column_that_cannot_be_is_refused(bad: list[float]) -> None:
    with pytest.raises(TwinError, match="daily flows"):
        DailyFlow(bad)


def test_a_column_is_read_by_its_head_or_alone(tmp_path: Path) -> None:
    path = tmp_path / "flow.csv"
    for text in (
        "4.5\n6\n",
        "# gauge above the weir\nflow_l_s\n4.5\n6\n",
        "day,flow_l_s\n1 May,4.5\n2 May,6\n",
    ):
        path.write_text(text, encoding="utf-8")
        assert read_daily_flow(path) == [4.5, 6.0]
    for text, told in (
        ("a,b\n1,2\n", "which column"),
        ("flow_l_s\nhigh\n", "day 1"),
        ("day,flow_l_s\n1 May\n", "day 1"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(TwinError, match=told):
            read_daily_flow(path)
    with pytest.raises(TwinError, match="cannot be read"):
        read_daily_flow(tmp_path / "none.csv")


class _Always:
    """A source that never changes."""

    def __init__(self, **how: float) -> None:
        usual = Weather(stream_l_s=12.0, air_degc=3.0, water_degc=4.0, room_degc=6.0, ice=0.0, leaves=0.0)
        self.weather = usual._replace(**how)

    def at(self, t_s: float) -> Weather:
        return self.weather


def test_gate_rack_and_leaves_decide_what_reaches_the_wheel() -> None:
    for gate_l_s, leaves, expected in [
        (20.0, 0.0, 12.0),
        (8.0, 0.0, 8.0),
        (20.0, 0.25, 9.0),
        (8.0, 0.5, 4.0),
    ]:
        river = River(CALM, 1, gate_l_s, _Always(leaves=leaves))
        assert river.flow_l_s == pytest.approx(expected)
        assert river.stream_l_s == 12.0
        river.rack_share = 0.5
        for _ in range(600):
            river.tend(0.05)
        assert river.flow_l_s == pytest.approx(expected / 2, rel=1e-3)


def test_the_weathers_ice_and_temperatures_reach_the_plant() -> None:
    twin = TwinPlant(DEMO, source=_Always(ice=1.0, stream_l_s=12.0), assumptions=CALM)
    twin.run(5)
    assert twin.mean["wheel_rpm"] == 0
    assert twin.mean["water_degc"] == 4.0
    twin.run(60)
    assert twin.bank.temperature_degc < 19.99
    mild = TwinPlant(DEMO, source=_Always(ice=0.4), assumptions=CALM)
    mild.run(30)
    assert 0 < mild.mean["wheel_rpm"] < TwinPlant(DEMO, flow_l_s=12.0, assumptions=CALM).mean["wheel_rpm"]


@pytest.mark.parametrize(("at", "stream"), [("headrace", False), ("stream", True)])
def test_the_level_at_the_weir_is_that_of_its_flow(at: str, stream: bool) -> None:  # noqa: FBT001
    level = LinearSensor(channel="stage_m", node="wheel", kind="linear", pin=28, mv_per_unit=5000.0, at=at)  # type: ignore[arg-type]
    notch = NotchWeir(kind="v-notch", notch_deg=60.0, crest_height_m=0.6, channel_width_m=2.0)
    plant = with_parts(DEMO, weir=notch, sensors=(*DEMO.sensors, level))
    twin = TwinPlant(plant, flow_l_s=8.0, source=_Always(stream_l_s=12.0), assumptions=CALM)
    twin.run(1)
    flow_m3_s = (12.0 if stream else 8.0) / 1000
    gravity = 9.8145  # at the plant's latitude and height
    assert v_notch_flow(twin.mean["stage_m"], 60.0, gravity_m_s2=gravity) == pytest.approx(
        flow_m3_s, rel=1e-3
    )


def test_a_wandering_river_wanders_about_what_was_ordered() -> None:
    assumed = dataclasses.replace(CALM, wander_share=0.1, wander_s=20.0)
    river = River(assumed, 3, 10.0)
    flows = []
    for _ in range(20_000):
        river.tend(0.5)
        flows.append(river.flow_l_s)
    assert fmean(flows) == pytest.approx(10.0, rel=0.03)
    assert 0.5 < fmean(abs(flow - 10) for flow in flows) < 1.0
