"""The node's measuring chip and pickup against the data sheet and the trade's arithmetic."""

from __future__ import annotations

import importlib
import sys
from array import array
from pathlib import Path
from typing import Any

import pytest

_FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
for _folder in (_FIRMWARE, _FIRMWARE / "sim", _FIRMWARE / "sim" / "cpython"):
    if str(_folder) not in sys.path:
        sys.path.append(str(_folder))

chips: Any = importlib.import_module("chips")
ina226: Any = importlib.import_module("node.ina226")
pulses: Any = importlib.import_module("node.pulses")

SBOS547 = "Texas Instruments SBOS547B, INA226 data sheet, 'Programming the INA226 power measurement engine', p. 14-16"


class Bus:
    """A bus with one chip at any address."""

    def __init__(self, chip: Any) -> None:
        self.chip = chip

    def readfrom_mem_into(self, _address: int, register: int, buffer: bytearray) -> None:
        buffer[:] = self.chip.read(register).to_bytes(2, "big")

    def writeto_mem(self, _address: int, register: int, buffer: bytearray) -> None:
        self.chip.write(register, int.from_bytes(buffer, "big"))

    def recover(self) -> None:
        pass


class Shunt:
    """The shunt of the example: 2 milliohm, 15 A at most, as drawn."""

    shunt_uohm = 2000
    range_ma = 15_000
    invert = False
    zero_ua = 0


@pytest.mark.source(SBOS547)
def test_the_data_sheets_example_to_the_register() -> None:
    """Load 10 A, common mode 12 V, shunt 2 milliohm, current step 1 mA."""
    chip = chips.Ina226Chip()
    chip.write(0x00, 0x4127)
    chip.write(0x05, 0x0A00)  # 0.00512 / (0.001 A x 0.002 ohm) = 2560
    chip.feed(10_000, 11.98, 0.020)
    assert chip.read(0x01) == 0x1F40  # 8000 x 2.5 uV
    assert chip.read(0x02) == 0x2570  # 9584 x 1.25 mV
    assert chip.read(0x05) == 2560
    assert chip.read(0x04) == 0x2710  # 10 000 x 1 mA
    assert chip.read(0x03) == 0x12B8  # 4792 x 25 mW
    # The table prints 119.82 W; 4792 steps of 25 mW are 119.80 W, and 11.98 V x 10 A says the same.
    assert chip.read(0x03) * 0.025 == pytest.approx(119.80, abs=1e-9)


@pytest.mark.source(SBOS547)
def test_the_driver_reads_the_example_as_volts_and_amperes() -> None:
    chip = chips.Ina226Chip()
    driver = ina226.Ina226(Bus(chip), 0x40)
    for _ in range(4):
        driver.update()
        chip.feed(150_000, 11.98, 0.020)
    driver.update()
    assert (driver.shunt, driver.bus) == (8000, 9584)
    assert ina226.CurrentReader(driver, Shunt).read() == 10_000
    assert ina226.BusReader(driver).read() == 11_980


@pytest.mark.source(SBOS547 + "; e2e.ti.com thread 873778 (worked example by the manufacturer)")
def test_a_second_example_of_the_calibration() -> None:
    """Shunt 10 milliohm, current step 0.25 mA: calibration 2048; 560 uV is 224 steps, 56 mA."""
    chip = chips.Ina226Chip()
    chip.write(0x05, 2048)
    chip.feed(10_000, 5.0, 560e-6)
    assert chip.read(0x04) == 0x00E0  # 224
    assert chip.read(0x04) * 0.25 == 56.0


@pytest.mark.source(
    "Texas Instruments SBOS547B, INA226 data sheet, register map: power-on reset values and identities"
)
def test_the_simulated_chip_wakes_as_the_data_sheet_says() -> None:
    chip = chips.Ina226Chip()
    assert chip.read(0x00) == 0x4127
    assert [chip.read(register) for register in (0x01, 0x02, 0x03, 0x04, 0x05)] == [0] * 5
    assert (chip.read(0xFE), chip.read(0xFF)) == (0x5449, 0x2260)
    chip.write(0x00, 0x4000)
    chip.write(0x00, 0xC127)  # the reset bit
    assert chip.read(0x00) == 0x4127


@pytest.mark.source(
    "Texas Instruments SBOS547B, INA226 data sheet, 'Configuration register': averages, times, modes"
)
def test_averaging_takes_as_long_as_its_conversions() -> None:
    chip = chips.Ina226Chip()
    chip.write(0x00, 0x4000 | 2 << 9 | 4 << 6 | 4 << 3 | 7)  # 16 x (1.1 ms + 1.1 ms)
    assert chip.window_us() == 35_200
    chip.feed(35_199, 10.0, 0.01)
    assert chip.read(0x02) == 0
    assert chip.read(0x06) & 0x0008 == 0
    chip.feed(1, 10.0, 0.01)
    assert chip.read(0x02) == 8000
    assert chip.read(0x06) & 0x0008  # conversion ready, cleared by reading
    assert chip.read(0x06) & 0x0008 == 0
    chip.write(0x00, 0x4000 | 4 << 6 | 4 << 3)  # asleep
    chip.feed(1_000_000, 20.0, 0.02)
    assert chip.read(0x02) == 8000


@pytest.mark.source("common practice, no source")
@pytest.mark.parametrize("magnets", [1, 2, 4])
def test_five_turns_in_twelve_seconds_are_25_rpm(magnets: int) -> None:
    """Turns counted by eye with a stop watch: 5 / 12 s is 0.4167 turns a second, 25 rpm."""
    wheel = pulses.Wheel(magnets, 120, 0)
    edges = 5 * magnets
    ticks = array("I", [round(12e6 * i / edges) for i in range(edges + 1)])
    wheel.update(ticks, len(ticks), 12_000_000, 12_000)
    assert wheel.mrpm == 25_000
    assert wheel.mrpm / 60_000 == pytest.approx(0.4167, abs=5e-5)
