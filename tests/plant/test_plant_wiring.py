"""Settings and wiring of a node agree with the plant, with the firmware and with each other."""

from __future__ import annotations

import importlib
import json
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from wheelpit.places import bundled
from wheelpit.plant import Plant, demo_plant_path, load_plant, node_settings, node_wiring, parse_plant
from wheelpit.plant.description import DividerSensor, LinearSensor, Node, ShuntSensor
from wheelpit.plant.hazards import hazards
from wheelpit.plant.wiring import NoSuchNodeError, steps_per_unit


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def _settings(plant: Plant) -> dict[str, Any]:
    return node_settings(plant, "wheel", "127.0.0.1", 1883)


def test_the_firmware_accepts_what_is_derived(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(bundled("firmware")))
    firmware = importlib.import_module("node.settings")
    told = json.loads(
        json.dumps(_settings(replace(plant, nodes=(Node(id="wheel", record_s=15, parked_pin=14),))))
    )
    taken = firmware.Settings(told, {})
    assert (taken.site, taken.node, taken.record_s, taken.parked_pin) == ("sallow-ghyll", "wheel", 15, 14)
    assert {channel.channel for channel in taken.channels} | {"wheel_rpm"} == plant.channels
    names = importlib.import_module("node.names")
    steps = dict(zip(names.CHANNELS, names.STEPS, strict=True))
    assert steps == {channel: steps_per_unit(channel) for channel in names.CHANNELS}


def test_speeds_are_those_of_the_limits_in_thousandths(plant: Plant) -> None:
    wheel = _settings(plant)["wheel"]
    assert wheel["pin"] == 15
    assert wheel["magnets"] == 4
    assert wheel["cutout_mrpm"] <= wheel["slow_mrpm"] == 6500 <= wheel["cutin_mrpm"]
    # Faster than any overshot wheel of that size, with unevenly glued magnets in mind.
    assert 2.5 * 33.4 < wheel["fastest_rpm"] < 4 * 33.4


def _shown(channel: dict[str, Any], pin_mv: float, steps: int) -> float:
    """Return what the node's own reader shows for millivolts at its pin."""
    adc = SimpleNamespace(read_u16=lambda: round(pin_mv / channel["full_mv"] * 65535))
    reader = importlib.import_module("node.analogue").AnalogueReader(adc, SimpleNamespace(**channel))
    shown: float = reader.read() / steps
    return shown


@pytest.fixture
def _node(monkeypatch: pytest.MonkeyPatch) -> None:
    for folder in ("", "sim/cpython"):
        monkeypatch.syspath_prepend(str(bundled("firmware") / folder))


@pytest.mark.usefixtures("_node")
@pytest.mark.parametrize("offset_v", [0.0, 0.25, -0.25])
def test_a_divider_is_undone(plant: Plant, offset_v: float) -> None:
    divider = plant.sensor("rectified_v")
    assert isinstance(divider, DividerSensor)
    others = tuple(s for s in plant.sensors if s is not divider)
    changed = replace(plant, sensors=(replace(divider, offset_v=offset_v), *others))
    wired = node_wiring(changed, "wheel")["adc"]["26"]
    pin_mv = 48.0 * wired["mv_per_unit"] + wired["zero_mv"]
    assert wired["mv_per_unit"] == pytest.approx(1000 * 3300 / 103_300)
    channel = _settings(changed)["channels"]["rectified_v"]
    assert _shown(channel, pin_mv, 1000) == pytest.approx(48.0, abs=0.002)


@pytest.mark.usefixtures("_node")
@pytest.mark.parametrize("zero_mv", [500.0, 424.6])
def test_a_linear_sensor_is_undone_in_hundredths(plant: Plant, zero_mv: float) -> None:
    linear = plant.sensor("battery_degc")
    assert isinstance(linear, LinearSensor)
    others = tuple(s for s in plant.sensors if s is not linear)
    changed = replace(plant, sensors=(replace(linear, zero_mv=zero_mv, mv_per_unit=6.25), *others))
    wired = node_wiring(changed, "wheel")["adc"]["27"]
    pin_mv = 21.5 * wired["mv_per_unit"] + wired["zero_mv"]
    assert _shown(_settings(changed)["channels"]["battery_degc"], pin_mv, 100) == pytest.approx(
        21.5, abs=0.01
    )


def test_a_chip_has_its_voltage_and_its_shunt(plant: Plant) -> None:
    wiring = node_wiring(plant, "wheel")
    assert wiring["i2c"]["64"] == {
        "chip": "ina226",
        "bus": "battery_v",
        "shunt": "charge_a",
        "shunt_uohm": 1500,
    }
    assert wiring["i2c"]["65"]["bus"] is None
    assert wiring["edges"] == {"15": "wheel"}
    settings = _settings(plant)["channels"]
    assert settings["battery_v"] == {"chip": "ina226", "address": 64, "reads": "bus"}
    assert settings["charge_a"]["shunt_uohm"] == 1500
    assert settings["battery_a"]["range_ma"] == 100_000


def test_a_reversed_shunt_with_a_zero_is_told_to_both_sides(plant: Plant) -> None:
    shunt = plant.sensor("battery_a")
    assert isinstance(shunt, ShuntSensor)
    others = tuple(s for s in plant.sensors if s is not shunt)
    changed = replace(plant, sensors=(replace(shunt, invert=True, zero_a=-0.0067), *others))
    channel = _settings(changed)["channels"]["battery_a"]
    assert (channel["invert"], channel["zero_ua"]) == (True, -6700)
    wired = node_wiring(changed, "wheel")["i2c"]["65"]
    assert (wired["reversed"], wired["zero_ua"]) == (True, -6700)


def test_each_node_is_told_of_its_own_sensors_only() -> None:
    extra = (
        '\n[[sensor]]\nchannel = "water_degc"\nnode = "weir"\nkind = "linear"\npin = 26\nmv_per_unit = 10.0\n'
    )
    plant = parse_plant(demo_plant_path().read_text(encoding="utf-8") + extra)
    told = node_settings(plant, "weir", "broker.local", 8883)
    assert list(told["channels"]) == ["water_degc"]
    assert "wheel" not in told
    assert told["broker"]["host"] == "broker.local"
    assert "water_degc" not in _settings(plant)["channels"]


def test_a_node_without_sensors_is_refused(plant: Plant) -> None:
    with pytest.raises(
        NoSuchNodeError, match='node "barn": no sensor of sallow-ghyll names it; use one of wheel'
    ):
        node_wiring(plant, "barn")
    with pytest.raises(NoSuchNodeError):
        node_settings(plant, "barn", "127.0.0.1", 1883)


_MORE = """
[[sensor]]
channel = "alternator_rpm"
node = "wheel"
kind = "phase"
pin = 16

[[sensor]]
channel = "water_degc"
node = "wheel"
kind = "thermometer"
pin = 22
rom = "28ff641e821603a2"

[[sensor]]
channel = "shaft_nm"
node = "wheel"
kind = "load-cell"
data_pin = 10
clock_pin = 11
codes_per_nm = -4000.0
zero_code = 1000
"""


def _more(*changes: tuple[str, str]) -> Plant:
    text = demo_plant_path().read_text(encoding="utf-8") + _MORE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_plant(text)


def test_a_phase_gives_a_pulse_for_each_pole_pair() -> None:
    plant = _more()
    told = _settings(plant)["alternator"]
    assert (told["pin"], told["pulses_per_turn"]) == (16, plant.alternator.pole_pairs)
    # The wheel's ceiling of 33.4 rpm through a drive of about 18.
    assert 2 * 33.4 * 18 < told["fastest_rpm"] < 4 * 33.4 * 18
    assert node_wiring(plant, "wheel")["edges"] == {"15": "wheel", "16": "alternator"}
    magnets = _more(('kind = "phase"', 'kind = "pickup"\nmagnets = 2'))
    assert _settings(magnets)["alternator"]["pulses_per_turn"] == 2
    assert _settings(magnets)["wheel"] == _settings(plant)["wheel"]


def test_finer_chips_are_told_and_wired() -> None:
    plant = _more(
        ("pin = 26", "pin = 1\naddress = 0x48\nfull_mv = 4096"),
        ("address = 0x45", 'address = 0x45\nchip = "ina228"'),
    )
    channels = _settings(plant)["channels"]
    assert channels["rectified_v"]["chip"] == "ads1115"
    assert (channels["rectified_v"]["address"], channels["rectified_v"]["input"]) == (0x48, 1)
    assert channels["rectified_a"]["chip"] == "ina228"
    assert channels["water_degc"] == {"chip": "ds18b20", "wire_pin": 22, "rom": "28ff641e821603a2"}
    # 4000 codes are 1 N m, 100 steps; and the other way round.
    assert channels["shaft_nm"]["step_ppm"] == -25_000
    wiring = node_wiring(plant, "wheel")
    assert wiring["i2c"]["69"]["chip"] == "ina228"
    assert wiring["i2c"]["72"]["inputs"]["1"]["channel"] == "rectified_v"
    assert set(wiring["adc"]) == {"27"}


@pytest.mark.usefixtures("_node")
def test_the_firmware_accepts_every_kind_of_sensor() -> None:
    plant = _more(
        ("pin = 26", "pin = 1\naddress = 0x48\nfull_mv = 4096"),
        ("address = 0x45", 'address = 0x45\nchip = "ina228"'),
        ('rom = "28ff641e821603a2"\n', ""),
    )
    firmware = importlib.import_module("node.settings")
    taken = firmware.Settings(json.loads(json.dumps(_settings(plant))), {})
    assert set(taken.layout.channels) == plant.channels


def test_the_larger_monitor_stands_an_unloaded_wheel() -> None:
    bridge = ('at = "bridge-negative"', 'at = "bridge-positive"')
    small = [hazard.key for hazard in hazards(_more(bridge))]
    large = [
        hazard.key for hazard in hazards(_more(bridge, ("address = 0x45", 'address = 0x45\nchip = "ina228"')))
    ]
    assert "sensor rectified_a" in small
    assert "sensor rectified_a" not in large
