"""The twin neither makes nor loses energy, whatever it is built of and whatever is done to it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools

import pytest
from tests.twin.plants import KINDS, TOPOLOGIES, plant_of, slow, with_parts

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.balance import LABELS, Balance
from wheelpit.twin.faults import FAULTS, fault_of
from wheelpit.twin.machine import Totals, TwinPlant
from wheelpit.twin.season import Season
from wheelpit.twin.trouble import FaultError

PLANT = load_plant(demo_plant_path())
PROMISED = 0.001
# What the plates lose at the moment when a cell is shorted comes back when it is replaced.
LOSSES = [name for name in LABELS if name not in {"water_j", "changed_j"} and "gain" not in name]


def _closes(part: Balance, what: str) -> None:
    assert part.error_share < PROMISED, what
    for loss in LOSSES:
        assert getattr(part, loss) >= -1e-9, (what, loss)


@pytest.mark.parametrize("flow_l_s", [0.0, 0.3, 1.5, 2.0, 6.0, 10.0, 20.0, 45.0])
def test_every_flow_closes(flow_l_s: float) -> None:
    balance = TwinPlant(PLANT, flow_l_s=flow_l_s).run(15)
    assert balance.water_j == pytest.approx(flow_l_s * 15 * 9.8131 * 1.8, rel=0.05)
    assert balance.turnover_j > 0
    assert balance.error_share < PROMISED


# Each converter and each topology once in the fast run, all together in the slow one.
QUICK = {
    ("fold-back", "diversion-at-battery"),
    ("fixed", "diversion-in-controller"),
    ("none", "series"),
    ("fold-back", "none"),
}


@pytest.mark.parametrize(
    ("kind", "topology"),
    [both if both in QUICK else slow(*both) for both in itertools.product(KINDS, TOPOLOGIES)],
)
def test_every_fault_closes_with_every_converter_and_controller(kind: str, topology: str) -> None:
    plant = plant_of(kind, topology)
    twin = TwinPlant(plant, seed=3, flow_l_s=12.0)
    done: list[str] = []
    for name, fault in FAULTS.items():
        if fault.where != "plant":
            continue
        try:
            fault_of(plant, name)
        except FaultError:
            continue
        twin.put(name, on=True, severity=1.0 if len(done) % 2 else 0.7, ramp_s=0.5)
        _closes(twin.run(1.2), f"{name} on")
        twin.put(name, on=False)
        _closes(twin.run(0.8), f"{name} off")
        done.append(name)
    assert len(done) >= 18
    assert twin.balance().error_share < PROMISED / 100


def test_a_run_full_of_trouble_closes() -> None:
    twin = TwinPlant(PLANT, seed=5)
    for name, on, flow_l_s in [
        ("jam", True, 10.0),
        ("jam", False, 10.0),
        ("converter-dead", True, 20.0),
        ("belt-lost", True, 20.0),
        ("converter-dead", False, 3.0),
        ("limiter", True, 14.0),
        ("belt-lost", False, 14.0),
        ("tailwater", True, 14.0),
        ("jam", True, 14.0),
        ("limiter", False, 0.0),
        ("jam", False, 0.0),
        ("converter-dead", True, 8.0),
    ]:
        twin.put(name, on=on)
        twin.river.order(flow_l_s)
        _closes(twin.run(12), name)
    assert twin.balance().jam_j > 10
    assert twin.balance().clamp_j > 10
    assert twin.balance().wade_j > 10
    assert twin.balance().error_share < PROMISED / 100


def test_a_bank_that_is_replaced_closes() -> None:
    twin = TwinPlant(PLANT, state_of_charge=0.8)
    for name in ("shorted-cell", "aged-battery"):
        before_j = twin.bank.chemical_j
        twin.put(name, on=True, severity=0.5, ramp_s=4.0)
        part = twin.run(6)
        _closes(part, name)
        # A twelfth of the voltage of a half-shorted cell, a quarter of the capacity of a half-worn bank.
        assert part.changed_j == pytest.approx(
            before_j * (1 / 12 if name == "shorted-cell" else 0.25), rel=0.01
        )
        twin.put(name, on=False)
        assert twin.balance().changed_j == pytest.approx(0.0, abs=0.01 * part.changed_j)


def test_lithium_closes_from_empty_to_overcharge() -> None:
    lithium = with_parts(
        PLANT,
        battery=dataclasses.replace(PLANT.battery, chemistry="lfp", overcharge_v=14.6),
        controller=dataclasses.replace(PLANT.controller, v_per_degc=0.0),
    )
    for state_of_charge, fault in [(0.02, None), (0.5, None), (0.999, "limiter")]:
        twin = TwinPlant(lithium, state_of_charge=state_of_charge)
        if fault:
            twin.put(fault, on=True)
        _closes(twin.run(10), f"{state_of_charge} {fault}")


def test_a_controller_that_tests_its_source_closes() -> None:
    tests = dataclasses.replace(PLANT.controller, open_test_every_s=10.0, open_test_s=0.4)
    _closes(TwinPlant(with_parts(PLANT, controller=tests)).run(35), "test of the source")


def test_a_season_closes() -> None:
    twin = TwinPlant(PLANT, flow_l_s=20.0, source=Season(4, dt.date(2025, 1, 20)))
    _closes(twin.run(20), "season")


def test_an_empty_bank_closes_and_gives_up_its_loads() -> None:
    twin = TwinPlant(PLANT, flow_l_s=0, state_of_charge=0.0)
    twin.household.switch("welder", 3000.0)
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
    assert totals.given_j == totals.charge_j


def test_what_is_diverted_before_the_shunt_never_passes_it() -> None:
    totals, beside = (
        _totals("diversion-in-controller"),
        _totals("diversion-at-battery"),
    )
    assert totals.dump_j > 0.3 * totals.given_j
    assert totals.charge_j == pytest.approx(totals.given_j - totals.dump_j)
    assert totals.given_j == pytest.approx(beside.given_j)
    assert totals.charge_j == pytest.approx(beside.charge_j - beside.dump_j)


def _totals(topology: str) -> Totals:
    twin = TwinPlant(plant_of("fold-back", topology))
    twin.run(20)
    return twin.totals()
