"""The format of compiled modules and the pins of the boards against the makers' own documents."""

from __future__ import annotations

import subprocess
from typing import Any

import pytest

from wheelpit.node.boards import board_kind
from wheelpit.node.bundle import MpyFormat, compiler

_MPY = "MicroPython documentation, reference/mpyfiles: sys_mpy & 0xff, sys_mpy >> 8 & 3, and the table of releases"


@pytest.mark.parametrize(
    ("told", "version"),
    [
        pytest.param(0x0B06, "6.3", marks=pytest.mark.source(_MPY), id="x64, v1.23 and newer"),
        pytest.param(0x1206, "6.2", marks=pytest.mark.source(_MPY), id="armv6m, v1.22"),
        pytest.param(0x2A06, "6.2", marks=pytest.mark.source(_MPY), id="xtensawin, v1.22"),
        pytest.param(0x0905, "5.1", marks=pytest.mark.source(_MPY), id="the version alone in the low byte"),
    ],
)
def test_a_board_tells_its_format(told: int, version: str) -> None:
    assert str(MpyFormat.of_board(told)) == version


@pytest.mark.source(_MPY + "; mpy-cross says which it writes in --version")
def test_the_compiler_says_the_same_as_the_module_it_writes(tmp_path: Any) -> None:
    said = subprocess.run([str(compiler()), "--version"], capture_output=True, text=True, check=True).stdout
    (tmp_path / "x.py").write_text("x = 1\n")
    subprocess.run([str(compiler()), str(tmp_path / "x.py")], check=True)
    module = MpyFormat.of_module((tmp_path / "x.mpy").read_bytes())
    assert f"mpy v{module.version}." in said


@pytest.mark.parametrize(
    ("bus", "data", "clock"),
    [
        pytest.param(
            0, {0, 4, 8, 12, 16, 20, 28}, {1, 5, 9, 13, 17, 21},
            marks=pytest.mark.source("RP2040 data sheet, 2.19.2, table 'GPIO functions', column F3 (from memory)"),
        ),
        pytest.param(
            1, {2, 6, 10, 14, 18, 22, 26}, {3, 7, 11, 15, 19, 27},
            marks=pytest.mark.source("RP2040 data sheet, 2.19.2, table 'GPIO functions', column F3 (from memory)"),
        ),
    ],
)  # fmt: skip
def test_the_buses_of_the_picos(bus: int, data: set[int], clock: set[int]) -> None:
    for name in ("pico-w", "pico-2-w"):
        told = board_kind(name).i2c[bus]
        assert (set(told[0]), set(told[1])) == (data, clock)


@pytest.mark.source("Pico W data sheet, pinout: ADC0 to ADC2 are GP26 to GP28 (from memory)")
def test_the_analogue_pins_of_the_picos() -> None:
    assert board_kind("pico-w").analogue == board_kind("pico-2-w").analogue == (26, 27, 28)


@pytest.mark.source(
    "MicroPython documentation, ESP32 quick reference: ADC block 1 on pins 32 to 39, block 2 not while Wi-Fi is "
    "active; pins 34 to 39 are input only and have no pull-up"
)
def test_the_pins_of_the_esp32() -> None:
    board = board_kind("esp32")
    assert board.analogue == tuple(range(32, 40))
    assert not set(board.pulse) & set(range(34, 40))
    assert not set(board.pulse) & set(range(6, 12))
