"""What a plant tells the guard of its node: limits with the example's numbers, pins, and what cannot be."""

from __future__ import annotations

import dataclasses

import pytest

from wheelpit.errors import WheelpitError
from wheelpit.node.boards import BoardError, board_kind, check_pins
from wheelpit.plant import demo_plant_path, load_plant, node_settings, parse_plant
from wheelpit.plant.description import Node

DEMO = load_plant(demo_plant_path())


def test_the_guard_of_the_example_has_the_limits_of_its_plant() -> None:
    guard = node_settings(DEMO, "wheel", "127.0.0.1", 1883)["guard"]
    # Warning 40 V, guard 50 V, on-delay 0.2 to 0.5 s: common practice, no source; the converter bears 80 V, the clamp
    # opens at 60 V, and a controller that tests its source reaches 30 V.
    assert guard["rectified"] == {"warning_mv": 40_000, "limit_mv": 50_000, "on_ms": 300}
    # 15.0 V at 25 °C, -24 mV/°C, as sallow-ghyll.toml says.
    assert guard["battery"] == {"limit_mv": 15_000, "mv_per_degc": -24, "coldest_degc": -5, "on_ms": 1500}
    # The loaded wheel makes 12.6 rpm at the highest flow, without load 25.0.
    assert 12_600 < guard["overspeed"]["limit_mrpm"] < 25_000
    assert guard["stall"] == {"after_ms": 10_000}
    assert not {"lamp_pin", "act_pin", "act_level"} & set(guard)


def test_a_node_with_outputs_gets_them_and_a_node_without_the_channels_gets_no_limits() -> None:
    node = Node(
        id="wheel", guard_lamp_pin=16, guard_act_pin=18, guard_act_level=0, guard_reset_pin=19, parked_pin=14
    )
    settings = node_settings(dataclasses.replace(DEMO, nodes=(node,)), "wheel", "127.0.0.1", 1883)
    assert (
        settings["guard"] | {"lamp_pin": 16, "act_pin": 18, "act_level": 0, "reset_pin": 19}
        == settings["guard"]
    )
    assert (settings["parked_pin"], settings["parked_min"]) == (14, 240)
    check_pins(settings, board_kind("pico-w"))
    with pytest.raises(BoardError, match=r"guard\.lamp_pin = 24: no pin of the Pico W"):
        check_pins(settings | {"guard": {"lamp_pin": 24}}, board_kind("pico-w"))
    few = tuple(sensor for sensor in DEMO.sensors if sensor.channel in {"wheel_rpm", "battery_degc"})
    guard = node_settings(dataclasses.replace(DEMO, sensors=few), "wheel", "127.0.0.1", 1883)["guard"]
    assert set(guard) == {"overspeed", "stall"}


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ("guard_act_pin = 18", "node.guard_act_pin = 18: needs guard_reset_pin"),
        ("guard_lamp_pin = 15", "already used by"),
    ],
)
def test_pins_that_cannot_be_are_told_by_their_key(keys: str, told: str) -> None:
    text = demo_plant_path().read_text(encoding="utf-8") + f'\n[[node]]\nid = "wheel"\n{keys}\n'
    with pytest.raises(WheelpitError) as caught:
        parse_plant(text)
    assert told in str(caught.value)
