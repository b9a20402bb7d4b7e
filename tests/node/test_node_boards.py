"""A pin that cannot do what is asked of it is named, with the pins that can."""

from __future__ import annotations

import ast
import re
from typing import Any

import pytest

from wheelpit.node.boards import BOARDS, BoardError, as_text, board_kind, check_pins, listed
from wheelpit.places import bundled
from wheelpit.plant import demo_plant_path, load_plant, node_settings


@pytest.fixture
def settings() -> dict[str, Any]:
    return node_settings(load_plant(demo_plant_path()), "wheel", "127.0.0.1", 1883)


@pytest.mark.parametrize("name", ["pico-w", "pico-2-w"])
def test_the_demo_plant_fits_both_picos(settings: dict[str, Any], name: str) -> None:
    check_pins(settings, board_kind(name))


def test_an_analogue_channel_on_a_pin_without_converter(settings: dict[str, Any]) -> None:
    settings["channels"]["rectified_v"]["pin"] = 22
    with pytest.raises(BoardError) as caught:
        check_pins(settings, board_kind("pico-w"))
    assert str(caught.value) == (
        "rectified_v: pin 22 has no analogue converter that the Pico W can read; use one of 26 to 28"
    )


def test_the_second_converter_of_the_esp32_is_refused(settings: dict[str, Any]) -> None:
    with pytest.raises(BoardError, match=r"rectified_v: pin 26 .* 32 to 39\nbattery_degc: pin 27"):
        check_pins(settings, board_kind("esp32"))
    settings["channels"]["rectified_v"]["pin"] = 34
    settings["channels"]["battery_degc"]["pin"] = 35
    check_pins(settings, board_kind("esp32"))


@pytest.mark.parametrize(
    ("board", "pin"),
    [
        pytest.param("pico-w", 23, id="the radio's"),
        pytest.param("pico-2-w", 29, id="the radio's too"),
        pytest.param("esp32", 0, id="the button that stops the node"),
        pytest.param("esp32", 6, id="the flash's"),
        pytest.param("esp32", 12, id="pulled up, the board does not start"),
        pytest.param("esp32", 34, id="no pull-up"),
    ],
)
@pytest.mark.parametrize("field", ["wheel", "parked_pin"])
def test_an_input_needs_a_pull_up(settings: dict[str, Any], board: str, pin: int, field: str) -> None:
    settings["channels"] = {}
    if field == "wheel":
        settings["wheel"]["pin"] = pin
    else:
        settings["parked_pin"] = pin
    with pytest.raises(BoardError, match=rf"= {pin}: no input with a pull-up"):
        check_pins(settings, board_kind(board))


@pytest.mark.parametrize("name", ["wire_pin", "data_pin", "clock_pin"])
def test_chips_with_wires_of_their_own_need_a_pin_with_a_pull_up(settings: dict[str, Any], name: str) -> None:
    settings["channels"] = {"water_degc": {"chip": "any", name: 34}}
    with pytest.raises(BoardError, match=rf"water_degc\.{name} = 34: no input with a pull-up"):
        check_pins(settings, board_kind("esp32"))
    settings["channels"]["water_degc"][name] = 33
    check_pins(settings, board_kind("esp32"))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"sda": 5}, "i2c.sda = 5: cannot be the data line of bus 0"),
        ({"scl": 4}, "i2c.scl = 4: cannot be the clock line of bus 0"),
        ({"bus": 1}, "i2c.sda = 4: cannot be the data line of bus 1"),
        ({"bus": 2}, "i2c.bus = 2: the Pico W has I2C buses 0 to 1"),
    ],
)
def test_the_bus_needs_its_own_pins(settings: dict[str, Any], change: dict[str, int], said: str) -> None:
    settings["i2c"].update(change)
    with pytest.raises(BoardError, match=re.escape(said)):
        check_pins(settings, board_kind("pico-w"))
    settings["channels"] = {"battery_degc": settings["channels"]["battery_degc"]}
    check_pins(settings, board_kind("pico-w"))  # without a monitor chip the bus is not used


@pytest.mark.parametrize("board", BOARDS.values(), ids=BOARDS)
def test_every_preset_fits_its_own_board(settings: dict[str, Any], board: Any) -> None:
    preset = board.preset
    settings["wheel"]["pin"], settings["parked_pin"] = preset["pickup"], preset["switch"]
    settings["i2c"].update({"bus": preset["i2c_bus"], "sda": preset["i2c_sda"], "scl": preset["i2c_scl"]})
    analogue = [told for told in settings["channels"].values() if told["chip"] == "adc"]
    for told, pin in zip(analogue, preset["analogue"], strict=False):
        told["pin"] = pin
    check_pins(settings, board)
    text = as_text(board)
    assert f"pickup {preset['pickup']}" in text
    assert all(note in text for note in board.notes)


def test_no_pull_down_can_be_asked_for_and_none_is_set() -> None:
    assert "No pull-downs" in as_text(board_kind("pico-2-w"))
    for file in sorted(bundled("firmware").glob("boards/*/hal.py")):
        names = {
            node.attr for node in ast.walk(ast.parse(file.read_text())) if isinstance(node, ast.Attribute)
        }
        assert "PULL_UP" in names
        assert "PULL_DOWN" not in names


def test_a_board_folder_exists_for_every_kind() -> None:
    folders = {
        path.name for path in (bundled("firmware") / "boards").iterdir() if (path / "hal.py").is_file()
    }
    assert {board.port for board in BOARDS.values()} == folders


def test_the_button_that_stops_the_node_is_left_free() -> None:
    source = (bundled("firmware") / "boards" / "esp32" / "hal.py").read_text()
    button = int(re.findall(r"^_BUTTON = (\d+)$", source, re.MULTILINE)[0])
    assert button not in board_kind("esp32").pulse


def test_an_unknown_board_names_the_known_ones() -> None:
    with pytest.raises(BoardError, match='board "abacus": not known; use one of pico-w, pico-2-w, esp32'):
        board_kind("abacus")


def test_the_settings_of_the_firmware_know_no_pull(settings: dict[str, Any], firmware_settings: Any) -> None:
    settings["wheel"]["pull"] = "down"
    with pytest.raises(Exception, match="pull") as caught:
        firmware_settings.Settings(settings, {})
    assert "wheel.pull" in str(caught.value)


def test_runs_of_pins_read_as_a_person_writes_them() -> None:
    assert listed((0, 1, 2, 5, 7, 8)) == "0 to 2, 5, 7, 8"
