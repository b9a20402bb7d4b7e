"""A converter on the bus, a thermometer on its wire, a load cell at the torque arm: right values, and honest faults."""

from __future__ import annotations

import importlib
from typing import Any

import crcmod.predefined
import pytest

from bench import Bus

ads1115: Any = importlib.import_module("node.ads1115")
ds18b20: Any = importlib.import_module("node.ds18b20")
hx711: Any = importlib.import_module("node.hx711")
pins: Any = importlib.import_module("node.pins")
finechips: Any = importlib.import_module("finechips")
crc_8_maxim: Any = crcmod.predefined.mkCrcFun("crc-8-maxim")


class Told:
    """The settings of an input."""

    def __init__(
        self,
        place: int = 1,
        full_mv: int = 4096,
        gain_ppm: int = 31_303_030,
        zero_mv: int = 0,
        offset: int = 0,
    ) -> None:
        self.input = place
        self.full_mv = full_mv
        self.gain_ppm = gain_ppm
        self.zero_mv = zero_mv
        self.offset = offset


class Converter:
    """One chip with some inputs in use, sampled ten times a second."""

    def __init__(self, *inputs: Told) -> None:
        self.chip = finechips.Ads1115Chip()
        self.bus = Bus({72: self.chip})
        self.driver = ads1115.Ads1115(self.bus, 72)
        self.readers = [ads1115.ConverterReader(self.driver, told) for told in inputs]
        self.millivolts = [0.0, 0.0, 0.0, 0.0]

    def run(self, samples: int) -> list[int | None]:
        for _ in range(samples):
            self.chip.feed(100_000, self.millivolts)
            self.driver.update()
            found = [reader.read() for reader in self.readers]
        return found


def test_the_rectified_voltage_through_a_divider() -> None:
    # 100 kohm over 3.3 kohm: 64 V is 2044.5 mV at the pin.
    setup = Converter(Told())
    setup.millivolts[1] = 64_000 * 3.3 / 103.3
    assert setup.run(1) == [None]
    assert setup.readers[0].fault == "absent"
    assert setup.run(2)[0] == pytest.approx(64_000, abs=3)  # a step is 125 uV, here 3.9 mV
    setup.millivolts[1] = 20_800 * 3.3 / 103.3
    assert setup.run(2)[0] == pytest.approx(20_800, abs=3)


def test_a_level_sensor_of_4_to_20_milliamperes() -> None:
    # 150 ohm: 600 mV at the crest, 3000 mV at 0.5 m; a tenth of a millimetre is 0.48 mV.
    setup = Converter(Told(2, gain_ppm=round(5000 / 2400 * 1e6), zero_mv=600))
    setup.millivolts[2] = 600 + 2400 * 0.123 / 0.5
    assert setup.run(3)[0] == pytest.approx(1230, abs=1)
    setup.millivolts[2] = 0.0  # a broken loop
    setup.run(2)
    assert setup.readers[0].fault == "railed"


def test_several_inputs_take_turns_and_are_not_mixed_up() -> None:
    setup = Converter(*(Told(place, gain_ppm=1_000_000) for place in (3, 0, 2)))
    setup.millivolts = [100.0, 9.0, 300.0, 400.0]
    setup.run(4)
    assert setup.run(1) == [400, 100, 300]
    setup.millivolts = [150.0, 9.0, 350.0, 450.0]
    assert setup.run(4) == [450, 150, 350]


def test_a_conversion_that_does_not_end_is_stuck_and_nothing_waits_for_it() -> None:
    setup = Converter(Told())
    setup.millivolts[1] = 500.0
    setup.run(3)
    setup.chip.hangs = True
    accesses = len(setup.bus.log)
    assert setup.run(3) == [None]
    assert setup.readers[0].fault == "stuck"
    assert len(setup.bus.log) - accesses <= 8  # a look each, no loop
    setup.chip.hangs = False
    assert setup.run(4)[0] == pytest.approx(15_652, abs=4)


def test_f25_a_converter_that_lost_its_power_or_its_bus_gives_nothing_old() -> None:
    setup = Converter(Told())
    setup.millivolts[1] = 500.0
    setup.run(3)
    setup.chip.power_on()
    assert setup.run(1) == [None]
    assert setup.readers[0].fault == "config"
    assert setup.run(2)[0] == pytest.approx(15_652, abs=4)
    setup.bus.failing.add(72)
    for _ in range(30):
        assert setup.run(1) == [None]
        assert setup.readers[0].fault == "bus"
    assert setup.bus.recoveries == 1
    setup.bus.failing.clear()
    assert setup.run(13)[0] == pytest.approx(15_652, abs=4)


@pytest.mark.parametrize(
    ("millivolts", "zero_mv", "fault"),
    [(4096.0, 0, "railed"), (4090.0, 0, None), (0.0, 500, "railed"), (-0.2, 0, None)],
)
def test_an_input_at_an_end_of_its_range_is_railed(
    millivolts: float, zero_mv: int, fault: str | None
) -> None:
    setup = Converter(Told(zero_mv=zero_mv))
    setup.millivolts[1] = millivolts
    found = setup.run(3)[0]
    assert setup.readers[0].fault == fault
    assert (found is None) is (fault is not None)


# The thermometer ------------------------------------------------------------------------------------------------


class Wire:
    """A one-wire bus with a thermometer, which speaks when it is called; `asked` is everything written."""

    def __init__(self, degrees: float = 21.5, rom: str | None = None) -> None:
        self.degrees = degrees
        self.rom = bytes.fromhex(rom) if rom else None
        self.there = True
        self.raw = 0x0550
        self.flip = 0  # a bit of the first byte that arrives wrong
        self.held = False  # the line is down
        self.asked: list[int] = []
        self.out: list[int] = []

    def reset(self) -> bool:
        self.asked = []
        self.out = []
        return self.there

    def power_on(self) -> None:
        self.raw = 0x0550

    def writebyte(self, value: int) -> None:
        self.asked.append(value)
        called = self.asked[0] == 0xCC or (self.rom is not None and self.asked[:9] == [0x55, *self.rom])
        if not called:
            return
        if value == 0x44:
            self.raw = round(self.degrees * 16) & 0xFFFF
        elif value == 0xBE:
            pad = bytes([self.raw & 0xFF, self.raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
            self.out = list(pad + bytes([crc_8_maxim(pad)]))
            self.out[0] ^= self.flip

    def readbyte(self) -> int:
        if self.held:
            return 0
        return self.out.pop(0) if self.out else 0xFF


class Alone:
    rom: str | None = None


def looks(thermometer: Any, samples: int) -> set[tuple[int | None, str | None]]:
    found = set()
    for _ in range(samples):
        thermometer.update()
        found.add((thermometer.read(), thermometer.fault))
    return found


def test_a_temperature_comes_with_the_second_conversion_and_follows() -> None:
    wire = Wire(21.5)
    thermometer = ds18b20.Thermometer(wire, Alone())
    assert looks(thermometer, 12) == {(None, "config")}
    assert looks(thermometer, 12) == {(2150, None)}
    wire.degrees = -3.0625
    looks(thermometer, 24)
    assert looks(thermometer, 1) == {(-306, None)}


@pytest.mark.parametrize("wrong", ["flip", "there", "held"])
def test_f25_a_wrong_check_byte_a_silent_and_a_shorted_wire_give_no_temperature(wrong: str) -> None:
    wire = Wire()
    thermometer = ds18b20.Thermometer(wire, Alone())
    looks(thermometer, 24)
    setattr(wire, wrong, wrong != "there")
    assert looks(thermometer, 24) == {(None, "bus")}
    setattr(wire, wrong, wrong == "there")
    looks(thermometer, 24)
    assert looks(thermometer, 12) == {(2150, None)}


def test_f25_after_a_brown_out_85_degrees_are_refused_and_a_true_85_passes_by() -> None:
    wire = Wire(85.0625)
    thermometer = ds18b20.Thermometer(wire, Alone())
    looks(thermometer, 24)
    assert thermometer.read() == 8506
    wire.power_on()
    assert looks(thermometer, 12) == {(None, "config")}
    assert looks(thermometer, 12) == {(8506, None)}


def test_nobody_on_the_wire_is_absent_and_two_share_it_by_their_numbers() -> None:
    wire = Wire()
    wire.there = False
    assert looks(ds18b20.Thermometer(wire, Alone()), 30) == {(None, "absent")}
    first = "28000000000001"
    first += f"{crc_8_maxim(bytes.fromhex(first)):02x}"
    other = "28000000000002"
    other += f"{crc_8_maxim(bytes.fromhex(other)):02x}"
    wire = Wire(4.0, first)
    told = Alone()
    told.rom = first
    thermometer = ds18b20.Thermometer(wire, told)
    looks(thermometer, 24)
    assert looks(thermometer, 1) == {(400, None)}
    told.rom = other
    thermometer = ds18b20.Thermometer(wire, told)
    looks(thermometer, 24)
    assert looks(thermometer, 1) == {(None, "bus")}  # the floating line reads as ones


# The load cell --------------------------------------------------------------------------------------------------


class Cell:
    """An HX711: a conversion every tenth of a second, its bits to the pulses of the clock."""

    def __init__(self) -> None:
        self.code = 0
        self.ready_now = True
        self.pulses = 0
        self.clock_level = 0
        self.masked = False
        self.unmasked_pulses = 0

    def data(self) -> int:
        if not self.pulses:
            return 0 if self.ready_now else 1
        return (self.code & 0xFFFFFF) >> (24 - self.pulses) & 1 if self.pulses <= 24 else 1

    def clock(self, level: int) -> None:
        if level and not self.clock_level:
            self.pulses += 1
            self.unmasked_pulses += not self.masked
        self.clock_level = level

    def lines(self) -> Any:
        cell = self

        class Data:
            def value(self) -> int:
                return cell.data()

        class Clock:
            def value(self, level: int) -> None:
                cell.clock(level)

        def off() -> int:
            cell.masked = True
            return 7

        def on(before: int) -> None:
            assert before == 7
            cell.masked = False

        return pins.ClockedIn(Data(), Clock(), off, on)


class Arm:
    zero_code = 1000
    step_ppm = -2500


def test_a_torque_from_a_load_cell() -> None:
    cell = Cell()
    driver = hx711.LoadCell(cell.lines(), Arm())
    for code, hundredths in ((1000, 0), (-399_000, 1000), (401_000, -1000), (1400, -1)):
        cell.code = code
        cell.pulses = 0
        driver.update()
        assert (driver.read(), driver.fault) == (hundredths, None)
        assert cell.pulses == 25  # 24 bits, and the same input with its gain of 128 again
    assert cell.unmasked_pulses == 0  # none could become long enough to put the chip to sleep


def test_a_load_cell_that_is_not_there_goes_silent_or_breaks() -> None:
    cell = Cell()
    cell.ready_now = False
    driver = hx711.LoadCell(cell.lines(), Arm())
    for _ in range(10):
        driver.update()
        assert (driver.read(), driver.fault) == (None, "absent")
    cell.ready_now = True
    for code in (0x7FFFFF, -0x800000):
        cell.code = code
        cell.pulses = 0
        driver.update()
        assert (driver.read(), driver.fault) == (None, "railed")
    cell.code = 0
    cell.pulses = 0
    driver.update()
    assert driver.read() is not None
    cell.ready_now = False
    cell.pulses = 0
    for _ in range(4):
        driver.update()
        assert driver.fault is None  # ten conversions a second and ten samples: one may just be missed
    driver.update()
    assert (driver.read(), driver.fault) == (None, "stuck")
