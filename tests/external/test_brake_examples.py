"""Power at a shaft by brake, and energies by integral, against worked examples."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from wheelpit.accounts.books import day_books
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.physics.bench import angular_speed, pull_torque
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LB_N = 4.4482216152605
FT_M = 0.3048
FT_LB_MIN_W = LB_N * FT_M / 60
HORSE_W = 33_000 * FT_LB_MIN_W


def shaft_w(pull_n: float, radius_m: float, rpm: float) -> float:
    return pull_torque(pull_n, radius_m) * angular_speed(rpm / 60)


@pytest.mark.source("Princeton CEE 102 prelab, prony brake data (studylib.net/doc/7273848)")
def test_most_power_at_half_the_speed_without_load() -> None:
    pulls = (0, 75, 150, 200, 250, 325, 400)
    speeds = (2400, 1950, 1500, 1200, 900, 450, 0)  # of the brake's rim, feet a minute
    radius_ft = 0.5
    powers = [
        shaft_w(pull * LB_N, radius_ft * FT_M, speed / (2 * math.pi * radius_ft))
        for pull, speed in zip(pulls, speeds, strict=True)
    ]
    assert [power / FT_LB_MIN_W for power in powers] == pytest.approx(
        [0, 146_250, 225_000, 240_000, 225_000, 146_250, 0]
    )
    assert max(powers) / HORSE_W == pytest.approx(7.2727, abs=5e-5)
    assert speeds[powers.index(max(powers))] == 2400 / 2


@pytest.mark.source(
    "Measurement of machine power, band brake (chestofbooks.com): 126.04 in, 200 rpm, 5 lb, one horsepower"
)
def test_a_band_brake() -> None:
    power = shaft_w(5 * LB_N, 126.04 / 2 / 12 * FT_M, 200)
    assert power / FT_LB_MIN_W == pytest.approx(32_997, abs=1)
    assert power / HORSE_W == pytest.approx(1.0, abs=1e-4)


@pytest.mark.source(
    "Prony brake with a 63 inch arm, hp = N F / 1000 (farmcollector.com); exact factor 1 / 1000.40"
)
def test_a_brake_with_an_arm_of_63_inches() -> None:
    assert shaft_w(40 * LB_N, 63 / 12 * FT_M, 250) / HORSE_W == pytest.approx(40 * 250 / 1000.40, rel=1e-5)


@pytest.mark.source("plain calculus: 12.5 kgf at 0.75 m and 42 rpm")
def test_a_brake_in_kilograms_force() -> None:
    assert pull_torque(12.5 * 9.80665, 0.75) == pytest.approx(91.9373, abs=5e-5)
    assert shaft_w(12.5 * 9.80665, 0.75, 42) == pytest.approx(404.3616, abs=5e-5)


def booked_wh(state: Path, watts: Callable[[float], float], seconds: int) -> float:
    """Read ten times a second at 12 V, cut records of 10 s, book them, and return the day's energy."""
    plant = load_plant(demo_plant_path())
    joules, records = 0.0, []
    for number in range(1, seconds // 10 + 1):
        for reading in range(100):
            joules += 0.1 * watts(10 * (number - 1) + 0.1 * (reading + 0.5))
        records.append(
            Record(
                seq=SEQ_PER_BOOT + number, first=SEQ_PER_BOOT + number, up_ms=10_000 * number, dur_ms=10_000,
                span_ms=10_000, end_ms=1_780_315_200_000 + 10_000 * number, clock="host", state="turning",
                mean={"battery_v": 12.0}, min={}, max={},
                total={"charge_mwh": int(joules / 3.6), "charge_valid_ms": 10_000 * number},
            )
        )  # fmt: skip
    with Ledger(state / FILE, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, plant.site.id, "UTC")
        keeper.records("wheel", Sent("0" * 16, 0, records), "t", 1_780_400_000_000)
        keeper.flush()
    (book,) = day_books(LedgerReader(state / FILE), plant.site.id, plant)
    assert book.energy_wh is not None
    assert book.energy is not None
    assert book.energy.value == book.energy_wh
    return book.energy_wh


@pytest.mark.source(
    "scipy.integrate (trapezoid, simpson): 100 + 20 sin(2 pi t / 1800) W over an hour, 100.000 Wh"
)
def test_a_power_that_swings(state: Path) -> None:
    found = booked_wh(state, lambda t: 100 + 20 * math.sin(2 * math.pi * t / 1800), 3600)
    assert found == pytest.approx(100.000, abs=1.1e-3)


@pytest.mark.source("scipy.integrate.quad: 100 exp(-t / 1800) W over an hour, 43.23324 Wh")
def test_a_power_that_dies_away(state: Path) -> None:
    found = booked_wh(state, lambda t: 100 * math.exp(-t / 1800), 3600)
    assert found == pytest.approx(43.23324, abs=1.1e-3)
