"""The driver of the monitor chip, against a chip simulated after its data sheet, and against buses that fail."""

from __future__ import annotations

import importlib
from typing import Any

import pytest

from bench import Board

ina226: Any = importlib.import_module("node.ina226")
SAMPLE_MS = 100
# Data sheet SBOS547, tables 6 to 8: averages and conversion times that the chip offers.
AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
TIMES_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)


class Shunt:
    """The settings of a current channel."""

    def __init__(
        self, shunt_uohm: int = 1500, range_ma: int = 50_000, *, invert: bool = False, zero_ua: int = 0
    ) -> None:
        self.shunt_uohm = shunt_uohm
        self.range_ma = range_ma
        self.invert = invert
        self.zero_ua = zero_ua


class Setup:
    """One chip with both its readers, sampled as the sampler does."""

    def __init__(self, bus_v: float = 13.5, amps: float = 5.4, shunt: Shunt | None = None) -> None:
        shunt = shunt or Shunt()
        self.board = Board()
        self.chip = self.board.add_monitor(64, bus_v, amps * shunt.shunt_uohm * 1e-6)
        self.driver = ina226.Ina226(self.board.bus, 64)
        self.volts = ina226.BusReader(self.driver)
        self.amps = ina226.CurrentReader(self.driver, shunt)

    def sample(self) -> tuple[int | None, int | None, str | None]:
        self.board.pass_ms(SAMPLE_MS)
        self.driver.update()
        return self.volts.read(), self.amps.read(), self.volts.fault

    def settle(self) -> tuple[int | None, int | None, str | None]:
        for _ in range(4):
            found = self.sample()
        return found


def test_the_window_fills_the_sample_interval_with_as_many_looks_as_can_be() -> None:
    fitting = [
        (count, count * (shunt_us + bus_us))
        for count in AVERAGES
        for shunt_us in TIMES_US
        for bus_us in TIMES_US
        if abs(count * (shunt_us + bus_us) - 1000 * SAMPLE_MS) <= 0.02 * 1000 * SAMPLE_MS
    ]
    average = AVERAGES[ina226.CONFIGURATION >> 9 & 7]
    bus_us = TIMES_US[ina226.CONFIGURATION >> 6 & 7]
    shunt_us = TIMES_US[ina226.CONFIGURATION >> 3 & 7]
    assert ina226.CONFIGURATION & 7 == 7  # both, continuously
    assert ina226.CONFIGURATION >> 12 == 4
    assert (average, average * (bus_us + shunt_us)) == (max(count for count, _ in fitting), ina226.WINDOW_US)
    assert (average, ina226.WINDOW_US) in fitting


def test_a_chip_is_identified_set_up_and_then_read() -> None:
    setup = Setup()
    assert setup.sample() == (None, None, "config")
    assert setup.chip.registers[0x00] == ina226.CONFIGURATION
    assert setup.chip.registers[0x05] == ina226.CALIBRATION
    assert setup.sample() == (None, None, "config")  # not a whole window yet
    assert setup.sample() == (13_500, 5_400, None)
    assert setup.driver.fault is None


def test_with_this_calibration_the_chips_own_current_is_the_shunt_register() -> None:
    setup = Setup()
    setup.settle()
    assert setup.chip.registers[0x04] == setup.chip.registers[0x01] == 3240


def test_what_makes_no_whole_milliampere_is_carried_on() -> None:
    # One step of 2.5 uV across 1.5 mohm is 1.667 mA; three samples make 5 mA.
    setup = Setup(amps=0.001667)
    setup.settle()
    assert setup.driver.shunt == 1
    found = [setup.sample()[1] for _ in range(300)]
    assert None not in found
    assert sum(ma for ma in found if ma is not None) == 500
    assert set(found) == {1, 2}


def test_a_reversed_shunt_and_its_zero_are_put_right() -> None:
    # 2 A wired the other way round, with 20 mA shown when the circuit is open.
    setup = Setup(amps=-2.02, shunt=Shunt(invert=True, zero_ua=20_000))
    setup.settle()
    found = [setup.sample()[1] or 0 for _ in range(30)]
    assert sum(found) / 30 == pytest.approx(2000, abs=1)


@pytest.mark.parametrize(
    ("bus_v", "amps", "shunt", "faults"),
    [
        (41.0, 5.0, Shunt(), ("railed", None)),
        (37.0, 5.0, Shunt(), ("range", None)),
        (13.0, 60.0, Shunt(), (None, "railed")),
        (13.0, -60.0, Shunt(), (None, "railed")),
        (13.0, 11.2, Shunt(range_ma=10_000), (None, "range")),
        (13.0, 10.8, Shunt(range_ma=10_000), (None, None)),
    ],
)
def test_a_reading_at_or_beyond_its_end_is_none(
    bus_v: float, amps: float, shunt: Shunt, faults: tuple[str | None, str | None]
) -> None:
    setup = Setup(bus_v, amps, shunt)
    found = setup.settle()
    assert (setup.volts.fault, setup.amps.fault) == faults
    assert ((found[0] is None), (found[1] is None)) == ((faults[0] is not None), (faults[1] is not None))


def test_f25_nothing_at_the_address_is_absent_and_asked_again_now_and_then() -> None:
    setup = Setup()
    setup.board.bus.failing.add(64)
    for _ in range(100):
        assert setup.sample() == (None, None, "absent")
    assert 8 <= len(setup.board.bus.log) <= 12
    setup.board.bus.failing.clear()
    for _ in range(14):
        found = setup.sample()
    assert found == (13_500, 5_400, None)


def test_f25_a_bus_that_fails_gives_nothing_old_and_is_freed() -> None:
    setup = Setup()
    setup.settle()
    setup.board.bus.failing.add(64)
    for _ in range(30):
        assert setup.sample() == (None, None, "bus")
    assert setup.board.bus.recoveries == 1
    setup.board.bus.failing.clear()
    for _ in range(14):
        found = setup.sample()
    assert found == (13_500, 5_400, None)


def test_f25_one_failed_read_costs_one_sample() -> None:
    setup = Setup()
    setup.settle()
    setup.board.bus.failing.add(64)
    assert setup.sample() == (None, None, "bus")
    setup.board.bus.failing.clear()
    assert setup.sample() == (13_500, 5_400, None)
    assert setup.board.bus.recoveries == 0


def test_f25_a_chip_that_lost_its_power_is_noticed_within_two_seconds_and_set_up() -> None:
    setup = Setup()
    setup.settle()
    for steady in range(25):  # wherever the driver stands in its checks
        setup.sample()
        if steady % 5:
            continue
        setup.chip.power_on()
        found = [setup.sample() for _ in range(24)]
        assert any(fault == "config" for _, _, fault in found[:20])
        assert found[-1] == (13_500, 5_400, None)
        assert setup.chip.registers[0x00] == ina226.CONFIGURATION
        # The shunt register needs no calibration, so what was read in between was no false zero.
        assert {ma for _, ma, _ in found} <= {5_400, None}


@pytest.mark.parametrize("register", [0xFE, 0xFF])
def test_f25_another_chip_is_refused(register: int) -> None:
    setup = Setup()
    setup.chip.registers[register] ^= 0x0100
    for _ in range(30):
        assert setup.sample() == (None, None, "config")
    assert ("write", 64, 0x00) not in setup.board.bus.log


def test_another_revision_of_the_chip_is_welcome() -> None:
    setup = Setup()
    setup.chip.registers[0xFF] = 0x2261
    assert setup.settle() == (13_500, 5_400, None)


def test_averaging_sees_a_chopped_current_as_its_mean() -> None:
    setup = Setup()
    found = []
    for _ in range(40):
        for _ in range(10):  # on for 4 ms, off for 6 ms
            for amps, ms in ((10.0, 4), (0.0, 6)):
                setup.board.supply[64] = (13.5, amps * 1.5e-3)
                setup.board.pass_ms(ms)
        setup.driver.update()
        found.append(setup.amps.read())
    steady = [ma for ma in found[5:] if ma is not None]
    assert len(steady) >= 33
    assert sum(steady) / len(steady) == pytest.approx(4000, rel=0.01)
