"""The finer measuring chips against their makers' data sheets."""

from __future__ import annotations

import importlib
import sys
from array import array
from pathlib import Path
from typing import Any

import crcmod.predefined
import pytest

_FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
for _folder in (_FIRMWARE, _FIRMWARE / "sim", _FIRMWARE / "sim" / "cpython"):
    if str(_folder) not in sys.path:
        sys.path.append(str(_folder))

finechips: Any = importlib.import_module("finechips")
ina228: Any = importlib.import_module("node.ina228")
ads1115: Any = importlib.import_module("node.ads1115")
chipsettings: Any = importlib.import_module("node.chipsettings")
ds18b20: Any = importlib.import_module("node.ds18b20")
shaft: Any = importlib.import_module("node.shaft")

SLYS021 = "Texas Instruments SLYS021A, INA228 data sheet"
SBAS444 = "Texas Instruments SBAS444, ADS1115 data sheet"
DS18B20 = "Maxim Integrated, DS18B20 data sheet 19-7487"


@pytest.mark.source(
    SLYS021 + ", 7.6 'Register maps': widths, reset values and identities (values from memory)"
)
def test_the_simulated_monitor_wakes_as_the_data_sheet_says() -> None:
    chip = finechips.Ina228Chip()
    found = {register: chip.read(register) for register in (0x00, 0x01, 0x02, 0x0B, 0x0C, 0x0D, 0x11, 0x3E)}
    assert found == {
        0x00: 0x0000, 0x01: 0xFB68, 0x02: 0x1000, 0x0B: 0x0001, 0x0C: 0x7FFF, 0x0D: 0x8000, 0x11: 0xFFFF,
        0x3E: 0x5449,
    }  # fmt: skip
    assert chip.read(0x3F) >> 4 == 0x228
    # 1111 1 011 01 101 000: all three, continuously, 1052 us each, no averaging
    assert chip.window_us() == 3 * 1052


@pytest.mark.source(
    SLYS021 + ", 8.2.2 'Detailed design procedure': 10 A at most, 16.2 mohm, 48 V, 6 A, one hour "
    "(registers from memory, checked by the sheet's own equations)"
)
def test_the_data_sheets_example_to_the_register() -> None:
    chip = finechips.Ina228Chip()
    current_lsb = 10 / 2**19
    assert current_lsb == pytest.approx(19.073486e-6, rel=1e-7)
    assert round(13_107.2e6 * current_lsb * 0.0162) == 0x0FD2  # 4050
    chip.write(0x02, 4050)
    chip.write(0x00, 0x4000)
    hour_us = 3_600_000_000
    chip.write(0x01, 0xB000 | 7 << 9 | 7 << 6 | 7)  # the longest windows, so that an hour is few of them
    chip.feed(hour_us, 48.0, 6 * 0.0162)
    assert chip.read(0x04) >> 4 == 0x4BF00  # 311 040
    assert chip.read(0x05) >> 4 == 0x3C000  # 245 760
    assert chip.read(0x07) >> 4 == pytest.approx(314_573, abs=40)  # the calibration is rounded: 1 in 10 000
    assert chip.read(0x08) == pytest.approx(4_718_592, rel=2e-4)
    # 1 036 800 J in steps of 16 x 3.2 x the current step, and 21 600 C in steps of it; the last window is not over.
    assert chip.read(0x09) == pytest.approx(1_061_683_200, rel=3e-3)
    assert chip.read(0x0A) == pytest.approx(1_132_462_080, rel=3e-3)
    assert chip.read(0x08) * 3.2 * current_lsb == pytest.approx(288, rel=2e-4)


@pytest.mark.source(
    SLYS021 + ", table 'ADC full scale values': 312.5 nV, 78.125 nV, 195.3125 uV; 85 V; ADC_CONFIG fields"
)
def test_the_drivers_steps_and_window() -> None:
    told = ina228.ADC_CONFIG
    assert told >> 12 == 0xB  # bus and shunt, continuously
    times_us = (50, 84, 150, 280, 540, 1052, 2074, 4120)
    averages = (1, 4, 16, 64, 128, 256, 512, 1024)
    window_us = (times_us[told >> 9 & 7] + times_us[told >> 6 & 7]) * averages[told & 7]
    assert window_us == ina228.WINDOW_US
    assert round(ina228._BUS_MAX * 195.3125e-6, 6) == 85
    assert pytest.approx(78.125 * 2**19, rel=1e-9) == ina228.NARROW_NV
    assert pytest.approx(312.5 * 2**19, rel=1e-9) == ina228.WIDE_NV


class Channel:
    """An input, as settings tell it."""

    def __init__(self, full_mv: int, place: int = 0) -> None:
        self.full_mv = full_mv
        self.input = place
        self.gain_ppm = 1_000_000_000  # steps of 1 uV
        self.zero_mv = 0
        self.offset = 0


@pytest.mark.source(SBAS444 + ", table 'Full-scale range and corresponding LSB size'")
@pytest.mark.parametrize(
    ("full_mv", "bits", "step_uv"),
    [(6144, 0, 187.5), (4096, 1, 125), (2048, 2, 62.5), (1024, 3, 31.25), (512, 4, 15.625), (256, 5, 7.8125)],
)
def test_the_converters_steps(full_mv: int, bits: int, step_uv: float) -> None:
    assert chipsettings.RANGES[full_mv] == bits
    chip = ads1115.Ads1115(None, 72)
    reader = ads1115.ConverterReader(chip, Channel(full_mv))
    chip.fault = None
    for code in (1, 1000, 20_000, 32_000):
        reader.take(code)
        assert reader.read() == pytest.approx(code * step_uv, rel=5e-6, abs=1.5)
    simulated = finechips.Ads1115Chip()
    simulated.write(1, reader.config)
    simulated.feed(70_000, [20_000 * step_uv / 1000, 0, 0, 0])
    assert simulated.read(0) == 20_000


@pytest.mark.source(
    SBAS444 + ", 'Config register': reset 8583h, OS, MUX 100..111 = AIN0..AIN3 to GND, MODE, DR, COMP_QUE"
)
@pytest.mark.parametrize("place", range(4))
def test_the_converters_configuration(place: int) -> None:
    assert finechips.Ads1115Chip().read(1) == 0x8583
    config = ads1115.ConverterReader(ads1115.Ads1115(None, 72), Channel(4096, place)).config
    assert config >> 15 == 1
    assert config >> 12 & 7 == 0b100 + place
    assert config >> 9 & 7 == 0b001
    assert config >> 8 & 1 == 1  # one at a time
    assert config >> 5 & 7 == 0b001  # 16 a second
    assert config & 3 == 0b11  # no comparator


@pytest.mark.source(
    "G. Cook, Catalogue of parametrised CRC algorithms, CRC-8/MAXIM-DOW: check A1h; crcmod 1.7"
)
def test_the_check_byte_of_the_one_wire_chips() -> None:
    assert chipsettings.crc8(b"123456789") == 0xA1
    reference = crcmod.predefined.mkCrcFun("crc-8-maxim")
    for data in (b"", b"\x00", b"\x28\xff\x64\x1e\x82\x16\x03", bytes(range(256))):
        assert chipsettings.crc8(data) == reference(data)
        assert chipsettings.crc8(data + bytes([reference(data)])) == 0


@pytest.mark.source(
    "Maxim Integrated, Application note 27: the number 02h 1Ch B8h 01h 00h 00h 00h with its check byte A2h"
)
def test_the_makers_own_example_of_a_number() -> None:
    assert chipsettings.crc8(bytes.fromhex("021cb801000000")) == 0xA2


class Wire:
    """A thermometer whose scratchpad holds a raw value."""

    def __init__(self, raw: int) -> None:
        pad = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
        self.pad = list(pad + bytes([crcmod.predefined.mkCrcFun("crc-8-maxim")(pad)]))

    def reset(self) -> bool:
        return True

    def writebyte(self, _value: int) -> None:
        pass

    def readbyte(self) -> int:
        return self.pad.pop(0)


class Alone:
    rom = None


@pytest.mark.source(DS18B20 + ", table 1 'Temperature/data relationship'")
@pytest.mark.parametrize(
    ("raw", "degrees"),
    [
        (0x07D0, 125.0), (0x0191, 25.0625), (0x00A2, 10.125), (0x0008, 0.5), (0x0000, 0.0), (0xFFF8, -0.5),
        (0xFF5E, -10.125), (0xFE6F, -25.0625), (0xFC90, -55.0),
    ],
)  # fmt: skip
def test_the_thermometers_table(raw: int, degrees: float) -> None:
    thermometer = ds18b20.Thermometer(Wire(raw), Alone())
    for _ in range(13):
        thermometer.update()
    assert thermometer.fault is None
    assert thermometer.read() == pytest.approx(100 * degrees, abs=0.51)


@pytest.mark.source(DS18B20 + ": 'The power-on reset value of the temperature register is +85 C' (0550h)")
def test_the_thermometers_power_on_value_is_no_temperature() -> None:
    thermometer = ds18b20.Thermometer(Wire(0x0550), Alone())
    for _ in range(13):
        thermometer.update()
    assert (thermometer.read(), thermometer.fault) == (None, "config")


@pytest.mark.source("common practice, no source: f = p n / 60")
def test_eight_pole_pairs_at_185_rpm_are_24_7_hz() -> None:
    machine = shaft.Shaft(8, 3000, 0)
    hz = 8 * 185 / 60
    assert hz == pytest.approx(24.7, abs=0.05)
    for tenth in range(1, 30):
        ticks = array("I", [round(i * 1e6 / hz) for i in range(1000) if tenth - 1 <= 10 * i / hz < tenth])
        machine.update(ticks, len(ticks), tenth * 100_000, tenth * 100)
    assert machine.mrpm == pytest.approx(185_000, rel=1e-4)
