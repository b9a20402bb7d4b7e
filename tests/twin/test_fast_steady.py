"""The table of steady states: it is that of the formulas, it closes, and it knows what is out of order."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.chain import RPM
from wheelpit.plant.description import NoConverter
from wheelpit.plant.operating import OperatingPoint, operating_point, runaway
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.condition import Condition
from wheelpit.twin.fast.steady import POWERS, SOUND, Ailment, steady_chain
from wheelpit.twin.trouble import UnmodelledError

DEMO = load_plant(demo_plant_path())
FLOWS_L_S = np.array([0.0, 0.4, 1.0, 2.0, 3.7, 6.0, 10.0, 14.3, 20.0])
LOSSES = [name for name in POWERS if name not in ("water_w", "shaft_w", "rectified_w")]
COLD = dataclasses.replace(USUAL, copper_per_degc=0.0, magnets_per_degc=0.0)
AILMENTS = {
    "sound": SOUND,
    "dry bearing": Ailment(bearing_factor=3.0),
    "slack belt": Ailment(belt_tension=0.3),
    "belt lost": Ailment(belt_tension=0.0),
    "fuse open": Ailment(open=True),
    "leads open": Ailment(leads_open=True),
    "phase lost": Ailment(pulses=0.34),
    "weak magnets": Ailment(magnets_share=0.8),
    "wading": Ailment(tailwater=0.5),
    "half iced": Ailment(ice=0.5),
    "held": Ailment(jam=1.0),
    "leaking": Ailment(back_feed_a=2.0),
}


@pytest.mark.parametrize("flow_l_s", [2.0, 4.0, 6.0, 10.0, 15.0, 20.0])
def test_a_cold_sound_chain_settles_where_the_formulas_say(flow_l_s: float) -> None:
    found = steady_chain(DEMO, COLD).look_up(np.array([flow_l_s]))
    point = operating_point(DEMO, flow_l_s)
    assert isinstance(point, OperatingPoint)
    # The formulas leave out that the belt creeps more as it comes near to slipping.
    assert found["wheel_rad_s"][0] / RPM == pytest.approx(point.wheel_rpm, rel=0.01)
    assert found["rectified_v"][0] == pytest.approx(point.rectified_v, rel=0.01)
    assert found["given_w"][0] == pytest.approx(point.battery_w, rel=0.02)
    assert found["water_w"][0] == pytest.approx(point.water_w, rel=1e-4)


@pytest.mark.parametrize("flow_l_s", [4.0, 10.0, 20.0])
def test_without_a_load_it_runs_where_the_formulas_say(flow_l_s: float) -> None:
    plant = dataclasses.replace(DEMO, protection=dataclasses.replace(DEMO.protection, clamp_v=None))
    found = steady_chain(plant, COLD, Ailment(open=True)).look_up(np.array([flow_l_s]))
    told = runaway(plant, flow_l_s)
    assert found["wheel_rad_s"][0] / RPM == pytest.approx(told.wheel_rpm, rel=0.01)
    assert found["rectified_v"][0] == pytest.approx(told.open_v, rel=0.01)


@pytest.mark.parametrize("ailment", AILMENTS.values(), ids=AILMENTS)
def test_the_water_s_power_goes_where_the_table_says(ailment: Ailment) -> None:
    found = steady_chain(DEMO, USUAL, ailment).look_up(np.linspace(0, 20, 301))
    gone_w = sum(found[name] for name in LOSSES)
    assert np.all(np.abs(found["water_w"] - gone_w) < 0.1 + 0.002 * found["water_w"])
    for name in LOSSES:
        if name not in ("given_w", "converter_w", "entry_w"):
            assert found[name].min() > -0.05, name


@pytest.mark.slow
def test_a_hunting_converter_closes_on_the_mean() -> None:
    found = steady_chain(DEMO, USUAL, Ailment(forced=0.8)).look_up(np.array([3.5, 6.5, 13.0]))
    gone_w = sum(found[name] for name in LOSSES)
    assert np.all(np.abs(found["water_w"] - gone_w) < 0.05 * found["water_w"])


def test_what_is_out_of_order_shows() -> None:
    def at_10(ailment: Ailment) -> dict[str, float]:
        found = steady_chain(DEMO, USUAL, ailment).look_up(np.array([10.0]))
        return {name: float(column[0]) for name, column in found.items()}

    sound = at_10(SOUND)
    assert at_10(Ailment(bearing_factor=3.0))["given_w"] < sound["given_w"] - 4
    assert at_10(Ailment(belt_tension=0.0))["wheel_rad_s"] > 2 * sound["wheel_rad_s"]
    assert at_10(Ailment(belt_tension=0.0))["alternator_rad_s"] == 0
    assert at_10(Ailment(open=True))["rectified_v"] > 50
    assert at_10(Ailment(leads_open=True))["rectified_v"] < 1
    assert at_10(Ailment(leads_open=True))["wheel_rad_s"] > 2 * sound["wheel_rad_s"]
    assert at_10(Ailment(tailwater=0.6))["wheel_rad_s"] < 0.97 * sound["wheel_rad_s"]
    assert at_10(Ailment(jam=1.0))["wheel_rad_s"] == 0
    assert at_10(Ailment(jam=1.0))["missed_w"] == pytest.approx(sound["water_w"])
    assert at_10(Ailment(pulses=0.34))["given_w"] < 0.97 * sound["given_w"]
    assert sound["given_w"] - at_10(Ailment(back_feed_a=2.0))["given_w"] == pytest.approx(27, abs=2)


def test_a_warm_alternator_gives_less_voltage_at_the_same_speed() -> None:
    cold, warm = (
        steady_chain(DEMO, USUAL, Ailment(open=True), degc).look_up(np.array([6.0])) for degc in (0.0, 20.0)
    )
    share = (warm["rectified_v"] / warm["alternator_rad_s"]) / (
        cold["rectified_v"] / cold["alternator_rad_s"]
    )
    assert share[0] == pytest.approx(1 - 20 * USUAL.magnets_per_degc, abs=0.003)


def test_between_its_rows_lines_are_straight() -> None:
    table = steady_chain(DEMO, USUAL)
    for left, right in ((3, 4), (30, 31)):
        middle = 0.5 * (table.flow_l_s[left] + table.flow_l_s[right])
        found = table.look_up(np.array([middle, table.flow_l_s[left]]))
        for name, column in table.columns.items():
            assert found[name][0] == pytest.approx(0.5 * (column[left] + column[right]), abs=1e-9), name
            assert found[name][1] == pytest.approx(column[left], abs=1e-9), name


def test_an_ailment_is_what_a_condition_does_to_the_chain() -> None:
    condition = Condition(bearing_factor=2.0, converter_dead=True, aged=1.0)
    ailment = Ailment.of(condition, ice=0.5)
    assert ailment == Ailment(bearing_factor=2.0, open=True, ice=0.5)
    assert ailment.condition() == Condition(bearing_factor=2.0, fuse_open=True, ice=0.5)
    assert Ailment.of(Condition(aged=1.0, limiter_dead=True)) == SOUND


def test_a_bridge_straight_on_the_battery_is_refused() -> None:
    plant = dataclasses.replace(DEMO, converter=NoConverter(kind="none", parts_v=100.0))
    with pytest.raises(UnmodelledError, match="dynamic twin"):
        steady_chain(plant, USUAL)
