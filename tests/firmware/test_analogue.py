"""Channels at the board's own converter, by integers."""

from __future__ import annotations

import importlib
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import Adc

analogue: Any = importlib.import_module("node.analogue")


class Told:
    """The settings of an analogue channel."""

    def __init__(self, gain_ppm: int, full_mv: int = 3300, zero_mv: int = 0, offset: int = 0) -> None:
        self.gain_ppm = gain_ppm
        self.full_mv = full_mv
        self.zero_mv = zero_mv
        self.offset = offset


def value(told: Told, raw: int) -> tuple[int | None, str | None]:
    adc = Adc()
    adc.raw = raw
    reader = analogue.AnalogueReader(adc, told)
    return reader.read(), reader.fault


def exact(told: Told, raw: int) -> Fraction:
    pin_mv = Fraction(raw, 65535) * told.full_mv
    return (pin_mv - told.zero_mv) * told.gain_ppm / 1_000_000 - told.offset


Usual = st.builds(
    Told,
    st.integers(100_000, 200_000_000) | st.integers(-200_000_000, -100_000),
    st.integers(1000, 5000),
    st.integers(0, 1500),
    st.integers(-500, 500),
)


@given(Usual, st.integers(0x10, 0xFFEF))
def test_a_value_is_exact_to_a_step_and_four_millionths(told: Told, raw: int) -> None:
    found, fault = value(told, raw)
    assert fault is None
    assert found is not None
    scale = abs(Fraction(told.full_mv * told.gain_ppm, 1_000_000))
    assert abs(found - exact(told, raw)) <= Fraction(3, 2) + scale * 4 / 1_000_000


@given(Usual)
def test_every_product_is_a_small_integer(told: Told) -> None:
    line = analogue.AnalogueReader(Adc(), told)._line
    assert (0xFFFF * analogue.READINGS >> 10) * line._factor + (
        0x3FF * line._factor >> 10
    ) + line._half < 1 << 30


def test_the_divider_of_the_example() -> None:
    # 100 kohm over 3.3 kohm: 20.8 V is 664.5 mV at the pin.
    told = Told(31_303_030)
    raw = round(20.8 * 3.3 / 103.3 / 3.3 * 65535)
    assert value(told, raw)[0] == pytest.approx(20_800, abs=2)


def test_the_sensor_of_ten_millivolts_a_degree() -> None:
    # 500 mV at 0 degrees; -5.00 degrees is 450 mV.
    told = Told(10_000_000, zero_mv=500)
    assert value(told, round(0.450 / 3.3 * 65535))[0] == pytest.approx(-500, abs=1)


def test_an_offset_is_what_shows_at_zero_and_is_taken_off() -> None:
    assert value(Told(31_303_030, offset=120), 0)[0] == -120


@pytest.mark.parametrize(
    ("raw", "zero_mv", "fault"),
    [
        (0xFFFF, 0, "railed"),
        (0xFFF0, 500, "railed"),
        (0xFFE0, 0, None),
        (0, 0, None),
        (0, 500, "railed"),
        (0x10, 500, None),
    ],
)
def test_an_input_at_an_end_of_its_range_is_railed(raw: int, zero_mv: int, fault: str | None) -> None:
    found, told = value(Told(1_000_000, zero_mv=zero_mv), raw)
    assert told == fault
    assert (found is None) is (fault is not None)


def test_readings_between_two_codes_are_averaged() -> None:
    class Dithering(Adc):
        def read_u16(self) -> int:
            self.raw ^= 0x10
            return 0x8000 + self.raw

    reader = analogue.AnalogueReader(Dithering(), Told(100_000_000))
    assert reader.read() == pytest.approx(float(exact(Told(100_000_000), 0x8008)), abs=2)
