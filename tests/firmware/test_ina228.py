"""The driver of the 85 V monitor, against a chip simulated after its data sheet, and against buses that fail."""

from __future__ import annotations

import importlib
from typing import Any

import pytest
from test_ina226 import Shunt

from bench import Board

ina228: Any = importlib.import_module("node.ina228")
finechips: Any = importlib.import_module("finechips")
SAMPLE_MS = 100


class Setup:
    """One chip with both its readers, sampled as the sampler does."""

    def __init__(
        self, bus_v: float = 64.0, amps: float = 5.4, shunt: Shunt | None = None, clock: float = 1.0
    ) -> None:
        shunt = shunt or Shunt(range_ma=25_000)
        self.ohm = shunt.shunt_uohm * 1e-6
        self.board = Board(from_us=(1 << 30) * 1000 - 5_000_000)  # the milliseconds come round on the way
        self.chip = self.board.bus.chips[64] = finechips.Ina228Chip(clock)
        self.board.supply[64] = (bus_v, amps * self.ohm)
        self.driver = ina228.Ina228(self.board.bus, 64, shunt.shunt_uohm, shunt.range_ma, self.board.ticks_ms)
        self.volts = ina228.FineBusReader(self.driver)
        self.amps = ina228.FineCurrentReader(self.driver, shunt)

    def sample(self) -> tuple[int | None, int | None, str | None]:
        self.board.pass_ms(SAMPLE_MS)
        self.driver.update()
        return self.volts.read(), self.amps.read(), self.volts.fault

    def run(self, seconds: float) -> list[tuple[int | None, int | None, str | None]]:
        return [self.sample() for _ in range(round(seconds * 10))]


def test_f25_a_chip_is_identified_set_up_and_then_read() -> None:
    setup = Setup()
    assert setup.sample() == (None, None, "config")
    assert setup.chip.registers[0x01] == ina228.ADC_CONFIG
    assert setup.chip.registers[0x00] == ina228.NARROW
    assert setup.sample() == (None, None, "config")  # not a whole window yet
    assert setup.sample() == (64_000, 5_400, None)


@pytest.mark.parametrize(
    ("shunt", "narrow"), [(Shunt(range_ma=27_300), True), (Shunt(range_ma=27_400), False)]
)
def test_the_range_follows_from_the_shunt(shunt: Shunt, narrow: bool) -> None:  # noqa: FBT001
    setup = Setup(amps=-21.5, shunt=shunt)
    assert setup.run(0.5)[-1] == (64_000, -21_500, None)
    assert bool(setup.chip.registers[0x00] & ina228.NARROW) is narrow


def test_volts_and_amperes_lose_nothing_to_rounding() -> None:
    setup = Setup(bus_v=13.4567, amps=0.12345)
    setup.run(0.5)
    found = setup.run(100)
    assert sum(mv or 0 for mv, _, _ in found) == pytest.approx(13_456.7 * 1000, abs=100)
    # A step is 78.125 nV, here 0.052 mA.
    assert sum(ma or 0 for _, ma, _ in found) == pytest.approx(123.45 * 1000, abs=27)


def test_a_reversed_shunt_and_its_zero_are_put_right() -> None:
    setup = Setup(amps=-2.02, shunt=Shunt(range_ma=25_000, invert=True, zero_ua=20_000))
    found = [setup.sample()[1] or 0 for _ in range(34)][4:]
    assert sum(found) / 30 == pytest.approx(2000, abs=1)


@pytest.mark.parametrize(
    ("bus_v", "amps", "faults"),
    [
        (84.9, 5.0, (None, None)),
        (86.0, 5.0, ("range", None)),
        (103.0, 5.0, ("railed", None)),
        (13.0, 28.0, (None, "railed")),
        (13.0, -28.0, (None, "railed")),
    ],
)
def test_a_reading_at_or_beyond_its_end_is_none(
    bus_v: float, amps: float, faults: tuple[str | None, str | None]
) -> None:
    setup = Setup(bus_v, amps)
    found = setup.run(0.5)[-1]
    assert (setup.volts.fault, setup.amps.fault) == faults
    assert ((found[0] is None), (found[1] is None)) == ((faults[0] is not None), (faults[1] is not None))


@pytest.mark.parametrize("clock", [0.99, 1.0, 1.01])
def test_the_chips_own_sums_agree_whatever_flows(clock: float) -> None:
    for amps in (0.0, 0.003, 20.0, -7.5):
        setup = Setup(13.5, amps, clock=clock)
        setup.run(0.5)
        assert [found[2] for found in setup.run(130)] == [None] * 1300
        assert setup.driver.disagreed == 0
        # Cleared each minute, so that it never comes round.
        assert abs(setup.chip.registers[0x0A]) <= 0x7FFFF * 61 or amps < 0
    # A load that comes for a moment, and one that is chopped every few tenths.
    setup = Setup(13.5, 0.0, clock=clock)
    setup.run(0.5)
    for i in range(1300):
        setup.board.supply[64] = (13.5, (15.0 if i % 7 < 3 or i in (300, 301) else 0.0) * setup.ohm)
        assert setup.sample()[2] is None
    assert setup.driver.disagreed == 0


@pytest.mark.parametrize("register", [0x09, 0x0A])
def test_sums_that_contradict_ours_are_a_fault_and_the_chip_is_set_up_anew(register: int) -> None:
    setup = Setup(13.5, 5.0)
    setup.run(0.5)
    setup.run(58)
    if register == 0x0A:
        setup.chip._charge *= 1.06
    else:
        setup.chip._energy *= 1.06
    found = setup.run(5)
    assert [fault for _, _, fault in found].count("config") in {2, 3}
    assert found[-1] == (13_500, 5_000, None)
    assert setup.driver.disagreed == 1
    setup.run(130)
    assert setup.driver.disagreed == 1


def test_f25_a_bus_that_fails_gives_nothing_old_and_is_freed() -> None:
    setup = Setup()
    setup.run(0.5)
    setup.board.bus.failing.add(64)
    assert setup.run(3) == [(None, None, "bus")] * 30
    assert setup.board.bus.recoveries == 1
    setup.board.bus.failing.clear()
    assert setup.run(1.4)[-1] == (64_000, 5_400, None)


def test_f25_a_chip_that_lost_its_power_is_noticed_within_two_seconds_and_set_up() -> None:
    setup = Setup()
    setup.run(0.5)
    for _ in range(11):
        setup.run(0.3)
        setup.chip.power_on()
        found = setup.run(2.4)
        assert any(fault == "config" for _, _, fault in found[:20])
        assert found[-1] == (64_000, 5_400, None)
        assert setup.chip.registers[0x01] == ina228.ADC_CONFIG


def test_f25_nothing_at_the_address_is_absent_and_another_chip_is_refused() -> None:
    setup = Setup()
    setup.board.bus.failing.add(64)
    assert setup.run(3) == [(None, None, "absent")] * 30
    setup.board.bus.failing.clear()
    setup.chip.registers[0x3F] = 0x2381
    assert setup.run(3)[-1] == (None, None, "config")
    assert ("write", 64, 0x01) not in setup.board.bus.log
