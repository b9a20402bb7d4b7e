"""Whole stretches of the fast twin: against the dynamic one, against its own books, and through what is done to it."""

from __future__ import annotations

import dataclasses
import datetime as dt
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.twin.plants import plant_of

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import LinearSensor
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.course import CHANNELS, TRUTH, FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.orders import Gate, Load, Orders, Parked
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.season import DailyFlow, Season
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.plant import Plant

DEMO = load_plant(demo_plant_path())
CALM = dataclasses.replace(USUAL, wander_share=0.0, lamp_w=0.0, steady_load_w=0.0)
DAY = dt.date(2025, 6, 1)
NEW_YEAR = dt.date(2025, 1, 1)


def at_flow(flow_l_s: float, *episodes: Episode, step_s: float = 10.0, **orders: object) -> FastTwin:
    told = Orders(faults=episodes, **orders)  # type: ignore[arg-type]
    source = DailyFlow([flow_l_s], air_degc=15.0)
    return FastTwin(
        DEMO, first_day=DAY, orders=told, source=source, assumptions=CALM, state_of_charge=0.6, step_s=step_s
    )


@pytest.mark.slow
def test_it_agrees_with_the_dynamic_twin_at_several_flows() -> None:
    flows, each_s = (2.5, 7.0, 12.0, 19.0), 600
    # Windings as warm as ever, but within minutes: the fast twin has them warm at once.
    assumptions = dataclasses.replace(
        CALM, room_degc=15.0, winding_cooling_s=90.0, winding_j_per_k_w=CALM.winding_j_per_k_w / 40
    )
    dynamic = TwinPlant(DEMO, flow_l_s=flows[0], state_of_charge=0.6, assumptions=assumptions)
    fast = FastTwin(
        DEMO,
        first_day=DAY,
        orders=Orders(gates=tuple(Gate(k * each_s, flow) for k, flow in enumerate(flows))),
        source=DailyFlow([100.0], air_degc=15.0),
        assumptions=assumptions,
        state_of_charge=0.6,
    )
    course = fast.run(4 * each_s)
    for number, flow in enumerate(flows):
        dynamic.river.order(flow)
        begun = dynamic.totals()
        means: dict[str, list[float]] = {
            name: [] for name in ("wheel_rpm", "rectified_v", "battery_v", "charge_a")
        }
        for k in range(each_s * 20):
            frame = dynamic.frame()
            if k >= each_s * 10:  # all has settled
                for name, values in means.items():
                    values.append(frame.mean[name])
        ended = dynamic.totals()
        part = slice(60 * number, 60 * (number + 1))
        late = slice(60 * number + 30, 60 * (number + 1))
        truth = course.truth
        for name, joules in (
            ("water_w", ended.water_j - begun.water_j),
            ("shaft_w", ended.shaft_j - begun.shaft_j),
            ("rectified_w", ended.rectified_j - begun.rectified_j),
            ("charge_w", ended.charge_j - begun.charge_j),
        ):
            assert truth[name][part].mean() == pytest.approx(joules / each_s, rel=0.03), (flow, name)
        for name, values in means.items():
            assert course.channels[name][late].mean() == pytest.approx(fmean(values), rel=0.02), (flow, name)
    assert fast.run(10).truth["state_of_charge"][0] == pytest.approx(dynamic.bank.state_of_charge, abs=2e-3)


@pytest.mark.slow
def test_a_series_controller_unloads_the_wheel_as_in_the_dynamic_twin_and_the_books_close() -> None:
    series = plant_of("fold-back", "series")
    assumptions = dataclasses.replace(
        CALM, room_degc=15.0, winding_cooling_s=90.0, winding_j_per_k_w=CALM.winding_j_per_k_w / 40
    )

    def twin(plant: Plant, share: float, habits: Habits | None = None) -> FastTwin:
        water = DailyFlow([7.0], air_degc=15.0)
        return FastTwin(
            plant, first_day=DAY, source=water, habits=habits, assumptions=assumptions, state_of_charge=share
        )

    fast = twin(series, 0.995)
    dynamic = TwinPlant(series, flow_l_s=7.0, state_of_charge=0.995, assumptions=assumptions)
    for bank in (dynamic.bank, fast._bank):
        bank.hold_limit()
    course = fast.run(60)
    frames = [dynamic.frame() for _ in range(60 * 20)][40 * 20 :]
    for name in ("wheel_rpm", "rectified_v", "battery_v", "charge_a"):
        settled = fmean(frame.mean[name] for frame in frames)
        assert course.channels[name][4:].mean() == pytest.approx(settled, rel=0.015), name

    held, free = twin(series, 0.9, Habits()), twin(DEMO, 0.9, Habits())
    course, unheld = held.run(2 * 86_400), free.run(2 * 86_400)
    assert held.balance().error_share < 1e-3
    assert held.balance().dump_j == 0
    shown, truth = course.channels, course.truth
    assert np.allclose(shown["charge_a"] * shown["battery_v"], truth["given_w"], atol=0.01)
    assert np.all(truth["given_w"] <= unheld.truth["given_w"] + 0.01)
    less = truth["given_w"] < 0.9 * unheld.truth["given_w"]
    assert 0.05 < less.mean() < 0.95
    assert np.all(shown["wheel_rpm"][less] > unheld.channels["wheel_rpm"][less])


def test_a_month_closes_and_has_every_column() -> None:
    twin = FastTwin(DEMO, first_day=NEW_YEAR, habits=Habits(), seed=2)
    course = twin.run(20 * 86_400)
    assert course.size == 20 * 8640
    assert set(course.truth) == set(TRUTH)
    assert set(course.channels) == set(CHANNELS) - {"stage_m"}
    for name, column in (course.truth | course.channels).items():
        assert column.size == course.size, name
        assert np.isfinite(column).all(), name
    balance = twin.balance()
    assert balance.error_share < 1e-3
    assert balance.water_j > 1e8
    assert balance.load_j == pytest.approx(course.truth["load_w"].sum() * 10)


def test_power_at_the_battery_s_node_adds_up_in_every_step() -> None:
    course = FastTwin(DEMO, first_day=NEW_YEAR, habits=Habits(), seed=3).run(3 * 86_400)
    shown = course.channels
    assert np.allclose(shown["charge_a"], shown["battery_a"] + shown["load_a"] + shown["dump_a"], atol=1e-9)
    assert np.allclose(shown["charge_a"] * shown["battery_v"], course.truth["given_w"], atol=1e-6)


def test_the_same_seed_gives_the_same_and_another_one_another() -> None:
    def flows(seed: int) -> np.ndarray:
        return FastTwin(DEMO, first_day=NEW_YEAR, seed=seed).run(86_400).truth["stream_l_s"]

    assert np.array_equal(flows(5), flows(5))
    assert not np.array_equal(flows(5), flows(6))


def test_it_follows_a_season_s_stream_and_its_own_gate() -> None:
    season = Season(4, NEW_YEAR)
    twin = FastTwin(
        DEMO, first_day=NEW_YEAR, source=season, assumptions=CALM, orders=Orders(gates=(Gate(43_200, 3.0),))
    )
    course = twin.run(86_400)
    noon = [season.at(h * 3600.0).stream_l_s for h in range(25)]
    assert course.truth["stream_l_s"][::360] == pytest.approx(noon[:24], rel=0.03)
    leaves = 1 - season.at(80_000).leaves
    assert course.truth["flow_l_s"][-600] <= 3.0 * leaves + 1e-9
    assert course.truth["flow_l_s"][0] == pytest.approx(
        min(noon[0], 20.0) * (1 - season.at(0).leaves), rel=1e-3
    )


@pytest.mark.parametrize(
    ("fault", "what"),
    [
        ("jam", lambda c, p: c.stands[p].all() and c.truth["missed_w"][p].min() > 100),
        (
            "fuse-open",
            lambda c, p: c.channels["rectified_v"][p].min() > 45 and c.channels["charge_a"][p].max() < 0.01,
        ),
        (
            "belt-lost",
            lambda c, p: c.channels["wheel_rpm"][p].min() > 20 and c.channels["alternator_rpm"][p].max() == 0,
        ),
        ("clogging", lambda c, p: c.truth["flow_l_s"][p].max() == 0 and c.stands[p].all()),
        ("dump-stuck", lambda c, p: c.channels["dump_a"][p].min() > 12),
        ("corroded-terminal", lambda c, p: c.truth["ohmic_w"][p].mean() > 1),
        ("weir-debris", lambda c, p: not c.stands[p].any()),
    ],
)
def test_faults_begin_and_end_at_their_times(fault: str, what: object) -> None:
    course = at_flow(9.0, Episode(fault, 3600.0, 1.0, 0.0, 7200.0)).run(10_800)
    assert callable(what)
    assert what(course, slice(362, 718))
    assert not what(course, slice(0, 360)) or fault == "weir-debris"
    assert course.channels["wheel_rpm"][725] == pytest.approx(course.channels["wheel_rpm"][300], rel=0.01)
    (there,) = [stretch for stretch in course.stretches if stretch.present]
    assert (there.from_s, there.to_s) == (3600, 7200)
    assert there.present == {fault: 1.0}


def test_a_clogging_rack_closes_little_by_little() -> None:
    course = at_flow(9.0, Episode("clogging", 600.0, 1.0, 1800.0)).run(3600)
    flow = course.truth["flow_l_s"]
    assert flow[150] == pytest.approx(4.5, abs=0.2)
    assert np.abs(np.diff(flow)).max() < 0.4
    assert flow[-1] == 0


def test_a_standing_wheel_s_capacitor_holds_its_voltage_for_minutes() -> None:
    course = at_flow(9.0, Episode("jam", 600.0)).run(3600)
    volts = course.channels["rectified_v"]
    assert volts[62] > 0.9 * volts[50]
    assert volts[60 + 48] == pytest.approx(volts[59] / np.e, rel=0.05)
    assert volts[-1] < 1


def test_loads_and_the_switch_do_what_is_ordered() -> None:
    twin = at_flow(
        9.0, loads=(Load(600, "kettle", 800.0), Load(900, "kettle", 0.0)), parked=(Parked(1800, 2400),)
    )
    course = twin.run(3600)
    assert course.truth["load_w"][60:90] == pytest.approx(809, rel=5e-3)
    assert course.truth["load_w"][95:] == pytest.approx(9, rel=1e-3)
    assert course.stands[181:239].all()
    assert not course.stands[:180].any()


def test_frost_slows_the_wheel_and_thaw_frees_it() -> None:
    twin = FastTwin(DEMO, first_day=NEW_YEAR, seed=1, assumptions=CALM)
    course = twin.run(31 * 86_400)
    season = Season(1, NEW_YEAR)
    ice = np.interp(
        np.arange(course.size) / 360, np.arange(745), [season.at(3600.0 * h).ice for h in range(745)]
    )
    assert course.stands[ice > 0.95].all()
    assert not course.stands[ice < 0.3].any()
    assert 0 < course.stands.mean() < 0.5


def test_a_level_is_shown_where_it_is_measured() -> None:
    sensor = LinearSensor(
        channel="stage_m", node="wheel", kind="linear", pin=28, mv_per_unit=1000.0, at="headrace"
    )
    plant = dataclasses.replace(DEMO, sensors=(*DEMO.sensors, sensor))
    source = DailyFlow([9.0], air_degc=15.0)
    told = Orders(faults=(Episode("weir-debris", 600.0, 1.0),))
    course = FastTwin(plant, first_day=DAY, source=source, assumptions=CALM, orders=told).run(1200)
    clean, lifted = course.channels["stage_m"][10], course.channels["stage_m"][100]
    # A right-angled notch passes 9 L/s at 13.3 cm (Kindsvater and Shen).
    assert clean == pytest.approx(0.1333, abs=0.002)
    assert lifted - clean == pytest.approx(0.03, abs=1e-4)


@pytest.mark.parametrize(
    "episode",
    [
        Episode("rocking", 0.0),
        Episode("lost-magnet", 0.0),
        Episode("link", 0.0, 0.5),
        Episode("fuse-open", 0.0, 0.5),
    ],
)
def test_what_happens_within_moments_is_refused(episode: Episode) -> None:
    with pytest.raises(UnmodelledError, match="dynamic twin"):
        at_flow(9.0, episode)


def test_a_step_of_a_second_and_one_of_a_record_give_the_same_books() -> None:
    fine, coarse = at_flow(8.0, step_s=1.0), at_flow(8.0, step_s=10.0)
    for twin in (fine, coarse):
        twin.run(4 * 3600)
    for (name, one), (_, other) in zip(fine.balance().items(), coarse.balance().items(), strict=True):
        assert one == pytest.approx(other, rel=0.01, abs=500), name
