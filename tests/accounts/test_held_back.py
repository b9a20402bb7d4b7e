"""What a full battery held back: told by a wheel that turns faster than its power says, and by the plant's own turns."""

from __future__ import annotations

import dataclasses
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wheelpit.accounts.held_back import held_back
from wheelpit.accounts.missed import missed_energy
from wheelpit.accounts.season import season
from wheelpit.accounts.unloaded import Turn, corrected, could_give
from wheelpit.plant import demo_plant_path, limits_of, load_plant
from wheelpit.plant.chain import RPM
from wheelpit.plant.description import NoConverter
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.steady import COLUMNS, SOUND, _Rig

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rows_of_ten_minutes import running

DEMO = load_plant(demo_plant_path())
FULL_V = 14.55  # absorption at 15 °C, 10 degrees below the 25 °C of the set voltage: 14.4 V + 0.24 V, nearly


def with_controller(topology: str) -> Any:
    controller = dataclasses.replace(DEMO.controller, topology=topology)  # type: ignore[arg-type]
    sensors = tuple(sensor for sensor in DEMO.sensors if sensor.channel != "dump_a")
    return dataclasses.replace(DEMO, controller=controller, sensors=sensors)


SERIES = with_controller("series")


@lru_cache
def settled(flow_l_s: float, share: float) -> tuple[float, float]:
    """Return speed [rpm] and power [W] of the twin's own machine of which a battery takes a share."""
    rig = _Rig(DEMO, USUAL, SOUND, 15.0)
    free = dict(zip(COLUMNS, rig.settle(flow_l_s / 1000), strict=True))
    if share < 1:
        rig.most_w = share * free["given_w"]
        free = dict(zip(COLUMNS, rig.settle(flow_l_s / 1000), strict=True))
    return free["wheel_rad_s"] / RPM, free["given_w"]


def days_that_fill(flow_l_s: float = 6.0, share: float = 0.3, count: int = 20) -> Any:
    """Return days at one flow of which eight hours pass with a full battery, that takes a share."""
    rpm, watts = settled(flow_l_s, 1.0)
    held_rpm, held_w = settled(flow_l_s, share)
    held = np.tile(np.repeat([False, True, False], (48, 48, 48)), count)
    ten = running(np.where(held, held_w, watts), np.where(held, held_rpm, rpm))
    ten.columns["battery_v"] = np.where(held, FULL_V, 12.9).astype(np.float32)
    return ten, held


@pytest.mark.parametrize("flow_l_s", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("share", [0.0, 0.5, 0.9])
def test_speed_and_power_tell_what_could_be_given(flow_l_s: float, share: float) -> None:
    rpm, watts = settled(flow_l_s, share)
    found = could_give(SERIES, np.array([rpm]), np.array([watts]))
    assert found is not None
    assert found[0] == pytest.approx(settled(flow_l_s, 1.0)[1], rel=0.08)


def test_a_wheel_that_is_wholly_loaded_could_give_what_it_gives() -> None:
    rpm, watts = settled(8.0, 1.0)
    found = could_give(SERIES, np.array([rpm]), np.array([watts]))
    assert found is not None
    assert found[0] == pytest.approx(watts, rel=0.05)
    direct = dataclasses.replace(DEMO, converter=NoConverter(kind="none", parts_v=100.0))
    assert could_give(direct, np.array([rpm]), np.array([watts])) is None


def test_the_plant_itself_corrects_the_model() -> None:
    rng = np.random.default_rng(1)
    model, kept_back = rng.uniform(40, 80, 200), rng.uniform(0, 0.6, 200)
    true = model * 0.85 * (1 - 0.2 * kept_back)
    seen = Turn(true, model, kept_back)
    could, u = corrected(np.array([60.0, 60.0, 160.0]), np.array([60.0, 30.0, 80.0]), seen)
    assert could[:2] == pytest.approx([60 * 0.85, 60 * 0.85 * 0.9], rel=0.01)
    assert u[0] < 0.03
    assert u[2] > u[0] + 0.05
    few = Turn(true[:9], model[:9], kept_back[:9])
    could, u = corrected(np.array([60.0]), np.array([60.0]), few)
    assert (could[0], u[0]) == (60.0, 0.15)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.8])
def test_what_a_series_controller_did_not_take(share: float) -> None:
    ten, held = days_that_fill(share=share)
    if share == 0:
        ten.columns["charging_ms"][held] = 0
    assert held_back(ten, SERIES).rows.tolist() == held.tolist()
    (found,) = missed_energy(ten, SERIES, limits_of(SERIES))
    assert found.cause == "full battery"
    assert found.hours == pytest.approx(held.sum() / 6)
    assert found.episodes == 20
    assert "the controller let the wheel run" in found.text
    true_wh = float(held.sum()) / 6 * (settled(6.0, 1.0)[1] - settled(6.0, share)[1])
    assert found.energy_wh.low <= true_wh <= found.energy_wh.high
    assert found.energy_wh.value == pytest.approx(true_wh, rel=0.05)
    whole = season(ten, SERIES)
    assert whole is not None
    assert whole.drifts == ()
    assert whole.baselines is not None
    assert whole.baselines.power_of_speed is not None
    assert whole.baselines.power_of_speed.x.max() < settled(6.0, 1.0)[0] * 1.02, (
        "only the loaded wheel is usual"
    )


def test_a_battery_at_that_voltage_that_takes_all_of_it_holds_nothing_back() -> None:
    ten, _ = days_that_fill(share=1.0)
    assert not held_back(ten, SERIES).rows.any()
    assert missed_energy(ten, SERIES, limits_of(SERIES)) == []


def test_what_is_burnt_inside_the_controller_the_wheel_s_speed_tells() -> None:
    inside = with_controller("diversion-in-controller")
    ten, held = days_that_fill(share=1.0)
    ten.columns["charge_mwh"][held] *= 0.25
    (found,) = missed_energy(ten, inside, limits_of(inside))
    true_wh = 0.75 * settled(6.0, 1.0)[1] * held.sum() / 6
    assert found.cause == "full battery"
    assert found.energy_wh.value == pytest.approx(true_wh, rel=0.03)
    assert "before the shunt" in found.text
    # With a meter of its own that one tells.
    ten.columns["dump_valid_ms"][:] = 600_000
    ten.columns["dump_mwh"][held] = 5000.0
    (metered,) = missed_energy(ten, inside, limits_of(inside))
    assert metered.energy_wh.origin == "measured"
    assert metered.energy_wh.value == pytest.approx(5 * held.sum())


def test_a_diversion_beside_the_battery_holds_nothing_back() -> None:
    ten, _ = days_that_fill()
    assert not held_back(ten, DEMO).rows.any()
    assert held_back(ten.part(0, 0), SERIES).rows.size == 0
