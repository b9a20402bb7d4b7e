"""The bank by whole stretches against the one in steps of 5 ms, and against its own energies."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pytest
from tests.twin.plants import plant_of

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import FoldBackConverter
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.bank import BankModel
from wheelpit.twin.condition import Condition
from wheelpit.twin.fast.bank import BankColumns, FastBank
from wheelpit.twin.trouble import UnmodelledError

if TYPE_CHECKING:
    from wheelpit.plant import Plant

DEMO = load_plant(demo_plant_path())
SERIES = plant_of("fold-back", "series")
assert isinstance(DEMO.converter, FoldBackConverter)
VOLTAGE_LIMITED = dataclasses.replace(
    DEMO, converter=dataclasses.replace(DEMO.converter, output_limit_v=14.4)
)
CALM = dataclasses.replace(USUAL, dump_chopped=False, inverter_ripple=0.0)
STEP_S = 0.05
RECORD_S = 10.0


def stepped(bank: BankModel, given_w: np.ndarray, load_w: np.ndarray) -> dict[str, np.ndarray]:
    """Run the bank of the dynamic twin, and return means over each record."""
    per_record = round(RECORD_S / STEP_S)
    found: dict[str, list[float]] = {
        name: [] for name in ("battery_v", "battery_a", "dump_a", "state_of_charge")
    }
    for given, load in zip(given_w.tolist(), load_w.tolist(), strict=True):
        sums = dict.fromkeys(found, 0.0)
        for _ in range(per_record):
            bank.tend(STEP_S)
            bank.advance(STEP_S, given, load)
            for name in found:
                sums[name] += getattr(bank, name) / per_record
        for name, value in sums.items():
            found[name].append(value)
    return {name: np.array(values) for name, values in found.items()}


def minutes(*parts: tuple[float, float]) -> np.ndarray:
    """Return a power for every record from pairs of minutes and watts."""
    return np.concatenate([np.full(round(6 * length), watts) for length, watts in parts])


CASES = {
    "charging a half-full bank": (0.5, minutes((40, 60.0)), minutes((40, 20.0))),
    "loads by turns": (0.6, minutes((30, 40.0)), minutes((5, 15.0), (4, 300.0), (11, 15.0), (10, 90.0))),
    "a kettle": (0.85, minutes((20, 60.0)), minutes((5, 20.0), (4, 1000.0), (11, 20.0))),
    "a full bank, diverting": (0.985, minutes((40, 80.0)), minutes((20, 15.0), (5, 200.0), (15, 15.0))),
    "nothing comes": (0.4, minutes((30, 0.0)), minutes((30, 25.0))),
}


@pytest.mark.parametrize(("share", "given_w", "load_w"), CASES.values(), ids=CASES)
def test_it_agrees_with_the_bank_in_small_steps(
    share: float, given_w: np.ndarray, load_w: np.ndarray
) -> None:
    slow = stepped(BankModel(DEMO, CALM, share), given_w, load_w)
    fast = FastBank(DEMO, CALM, share).stretch(given_w, load_w, CALM.room_degc)
    # A record in which a load switches, and the next ones, lag by a step at most.
    settled = np.ones(given_w.size, bool)
    for at in np.flatnonzero(np.diff(given_w - load_w)) + 1:
        settled[at : at + 12] = False
    settled[:12] = False  # from rest
    assert np.abs(fast.battery_v - slow["battery_v"])[settled].max() < 0.03
    off_a = 0.15 + 0.002 * np.abs(slow["battery_a"])
    assert np.all((np.abs(fast.battery_a - slow["battery_a"]) < off_a)[settled])
    assert np.abs(fast.dump_a - slow["dump_a"])[settled].max() < 0.15
    moved = slow["state_of_charge"][-1] - share
    assert fast.state_of_charge[-1] - share == pytest.approx(moved, abs=2e-4)


def closes(
    bank: FastBank, begun: tuple[float, float, float], given_w: np.ndarray, found: BankColumns
) -> float:
    """Return what is not accounted for, over what came in and out."""
    gone_w = found.ohmic_w + found.polarisation_w + found.gassing_w + found.dump_w + found.load_w
    gained_j = bank.chemical_j - begun[0] + bank.polarised_j - begun[1] + bank.self_discharge_j - begun[2]
    error_j = RECORD_S * (given_w - gone_w).sum() - gained_j
    return float(abs(error_j) / (RECORD_S * np.maximum(given_w, gone_w).sum()))


@pytest.mark.parametrize("seed", range(6))
def test_energy_closes_whatever_comes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 8640
    given_w = np.repeat(rng.uniform(0, 140, count // 60), 60) + rng.normal(0, 3, count)
    load_w = 14 + np.repeat(rng.exponential(40, count // 6), 6)
    bank = FastBank(DEMO, USUAL, float(rng.uniform(0.2, 1.0)))
    begun = (bank.chemical_j, bank.polarised_j, bank.self_discharge_j)
    found = bank.stretch(given_w, load_w, 15.0)
    assert closes(bank, begun, given_w, found) < 5e-4
    power = found.battery_v * (found.battery_a + found.load_a + found.dump_a)
    assert np.allclose(power, given_w, atol=1e-6)
    assert np.allclose(found.charge_a, found.battery_a + found.load_a + found.dump_a)
    assert found.dump_a.min() > -1e-9


def test_it_is_the_same_in_one_stretch_or_in_many() -> None:
    given_w, load_w = minutes((240, 70.0)), minutes((100, 20.0), (140, 45.0))
    one, many = FastBank(DEMO, USUAL, 0.9), FastBank(DEMO, USUAL, 0.9)
    whole = one.stretch(given_w, load_w, 18.0)
    parts = [many.stretch(given_w[k : k + 360], load_w[k : k + 360], 18.0) for k in range(0, 1440, 360)]
    for name in ("battery_v", "battery_a", "state_of_charge"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        assert np.allclose(joined, getattr(whole, name), atol=2e-3), name


def test_absorption_ends_in_float() -> None:
    told = DEMO.controller
    found = FastBank(DEMO, USUAL, 0.99).stretch(minutes((300, 90.0)), minutes((300, 15.0)), 25.0)
    held_v = found.battery_v - told.v_per_degc * (found.battery_degc - 25)
    assert held_v[600] == pytest.approx(told.absorption_v, abs=0.01)
    assert held_v[-1] == pytest.approx(told.float_v, abs=0.01)


def test_without_a_limiter_the_voltage_climbs() -> None:
    bank = FastBank(DEMO, USUAL, 0.99)
    bank.suffer(Condition(limiter_dead=True))
    found = bank.stretch(minutes((60, 120.0)), minutes((60, 15.0)), 20.0)
    assert found.battery_v[-1] > 15.3
    assert found.dump_a.max() == 0


def test_a_dump_that_is_not_enough_lets_it_climb_too() -> None:
    bank = FastBank(DEMO, USUAL, 0.99)
    bank.suffer(Condition(dump_share=0.1))
    given_w = minutes((60, 120.0))
    begun = (bank.chemical_j, bank.polarised_j, bank.self_discharge_j)
    found = bank.stretch(given_w, minutes((60, 15.0)), 20.0)
    assert found.battery_v[-1] > bank.controller.limit_v + 0.8
    assert found.dump_a[-1] == pytest.approx(found.battery_v[-1] * 0.1 * 250 / 14.4**2, rel=1e-6)
    assert closes(bank, begun, given_w, found) < 1e-3


def test_an_empty_bank_gives_up_its_loads_and_takes_them_back() -> None:
    bank = FastBank(DEMO, USUAL, 0.02)
    found = bank.stretch(minutes((240, 0.0), (1200, 60.0)), minutes((240, 90.0), (1200, 10.0)), 20.0)
    assert found.load_a[0] > 5
    assert found.load_a[1400] == 0
    assert found.load_a[-1] > 0.5
    assert found.battery_v.min() > 8


def test_a_load_beyond_any_bank_trips_the_inverter() -> None:
    bank = FastBank(DEMO, USUAL, 0.5)
    bank.suffer(Condition(terminal_ohm=0.05))
    found = bank.stretch(minutes((10, 0.0)), minutes((10, 5000.0)), 20.0)
    assert found.load_a.max() == 0
    assert not bank.loads_on


def test_in_series_it_lets_in_what_the_bank_in_small_steps_does() -> None:
    given_w, load_w = minutes((25, 80.0)), minutes((10, 15.0), (3, 200.0), (12, 15.0))
    bank = BankModel(SERIES, CALM, 0.985)
    let_in_w = []
    for given, load in zip(given_w.tolist(), load_w.tolist(), strict=True):
        sums = 0.0
        for _ in range(round(RECORD_S / STEP_S)):
            bank.tend(STEP_S)
            bank.advance(STEP_S, min(given, bank.cap_w), load)
            sums += bank.charge_w * STEP_S / RECORD_S
        let_in_w.append(sums)
    fast = FastBank(SERIES, CALM, 0.985)
    begun = (fast.chemical_j, fast.polarised_j, fast.self_discharge_j)
    found = fast.stretch(given_w, load_w, CALM.room_degc)
    taken_w = given_w - found.refused_w
    assert closes(fast, begun, taken_w, found) < 1e-3
    settled = np.ones(given_w.size, bool)
    for at in (0, 60, 78):  # from rest, and where a load switches
        settled[at : at + 18] = False
    assert np.abs(taken_w - let_in_w)[settled].max() < 2.0
    assert taken_w[settled].min() < 40.0
    assert np.allclose(found.charge_a * found.battery_v, taken_w)
    assert found.dump_a.max() == 0


def test_a_series_controller_that_fails_open_lets_nothing_in() -> None:
    bank = FastBank(SERIES, USUAL, 0.7)
    bank.suffer(Condition(controller_open=True))
    found = bank.stretch(minutes((20, 80.0)), minutes((20, 15.0)), 20.0)
    assert found.refused_w.tolist() == [80.0] * 120
    assert np.allclose(found.charge_a, 0.0)


@pytest.mark.parametrize("plant", [plant_of("fixed", "series"), VOLTAGE_LIMITED], ids=["fixed", "limited"])
def test_a_plant_that_a_full_battery_makes_hunt_is_refused(plant: Plant) -> None:
    with pytest.raises(UnmodelledError, match="dynamic twin"):
        FastBank(plant, USUAL, 0.5)
