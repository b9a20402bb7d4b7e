"""The twin neither makes nor loses energy, whatever is done to it."""

from __future__ import annotations

import dataclasses

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin import faults
from wheelpit.twin.balance import LABELS, Balance
from wheelpit.twin.machine import TwinPlant

PLANT = load_plant(demo_plant_path())
PROMISED = 0.001
LOSSES = [name for name in LABELS if name != "water_j" and "gain" not in name]


@pytest.mark.parametrize("flow_l_s", [0.0, 0.3, 1.5, 2.0, 6.0, 10.0, 20.0, 45.0])
def test_every_flow_closes(flow_l_s: float) -> None:
    balance = TwinPlant(PLANT, flow_l_s=flow_l_s).run(30)
    assert balance.water_j == pytest.approx(flow_l_s * 30 * 9.8131 * 1.8, rel=0.05)
    assert balance.turnover_j > 0
    assert balance.error_share < PROMISED


def test_a_run_full_of_trouble_closes() -> None:
    twin = TwinPlant(PLANT, seed=5)
    for name, on, flow_l_s in [
        ("jam", True, 10.0),
        ("jam", False, 10.0),
        ("load", True, 20.0),
        ("load", False, 3.0),
        ("limiter", True, 14.0),
        ("jam", True, 14.0),
        ("limiter", False, 0.0),
        ("jam", False, 0.0),
        ("load", True, 8.0),
    ]:
        faults.put(twin, name, on=on)
        twin.river.order(flow_l_s)
        part = twin.run(12)
        assert part.error_share < PROMISED, name
        for loss in LOSSES:
            assert getattr(part, loss) >= -1e-9, loss
    assert twin.balance().jam_j > 10
    assert twin.balance().clamp_j > 10
    assert twin.balance().error_share < PROMISED / 100


def test_an_empty_bank_closes_and_gives_up_its_loads() -> None:
    twin = TwinPlant(PLANT, flow_l_s=0, state_of_charge=0.0)
    twin.household.load_w = 3000.0
    balance = twin.run(1)
    assert not twin.bank.loads_on
    twin.run(1)
    assert twin.bank.load_a == 0
    assert balance.load_j > 0
    assert balance.error_share < PROMISED


def test_a_balance_is_the_sum_of_its_parts() -> None:
    twin = TwinPlant(PLANT)
    first, second = twin.run(3), twin.run(4)
    for name, value in twin.balance().items():
        assert value == pytest.approx(getattr(first, name) + getattr(second, name), abs=1e-6)


def test_the_error_shows_what_is_missing() -> None:
    whole = TwinPlant(PLANT).run(5)
    lossy = dataclasses.replace(whole, dump_j=whole.dump_j - 0.01 * whole.water_j)
    assert lossy.error_share == pytest.approx(0.01, rel=1e-3)


def test_every_term_has_a_label() -> None:
    assert list(LABELS) == [field.name for field in dataclasses.fields(Balance)]


def test_frames_and_one_run_give_the_same() -> None:
    one, other = TwinPlant(PLANT, seed=3), TwinPlant(PLANT, seed=3)
    one.run(10)
    for _ in range(200):
        other.frame()
    assert one.totals() == other.totals()


def test_another_seed_gives_another_river() -> None:
    one, other = TwinPlant(PLANT, seed=3), TwinPlant(PLANT, seed=4)
    assert one.run(10).water_j != other.run(10).water_j


def test_totals_agree_with_the_balance() -> None:
    twin = TwinPlant(PLANT)
    balance, totals = twin.run(20), twin.totals()
    assert totals.water_j == pytest.approx(balance.water_j)
    assert totals.shaft_j == pytest.approx(
        balance.iron_j + balance.copper_j + balance.diode_j + totals.rectified_j, rel=1e-5
    )
    assert totals.charge_j == pytest.approx(
        totals.rectified_j - balance.converter_j - balance.bleed_j, rel=1e-5
    )
    assert totals.charge_j == pytest.approx(
        totals.battery_in_j - totals.battery_out_j + totals.load_j + totals.dump_j
    )
