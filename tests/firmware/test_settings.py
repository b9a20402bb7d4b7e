"""Settings: everything wrong is told at once, by field, value and remedy."""

from __future__ import annotations

import copy
import importlib
import json
from typing import TYPE_CHECKING, Any

import crcmod.predefined
import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.wiring import node_settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

crc_8_maxim: Any = crcmod.predefined.mkCrcFun("crc-8-maxim")
settings: Any = importlib.import_module("node.settings")

GOOD: dict[str, Any] = {
    "site": "sallow-ghyll",
    "node": "wheel",
    "revision": 3,
    "broker": {"host": "192.168.7.2", "port": 1884, "keepalive_s": 20},
    "record_s": 10,
    "rewind_s": 30,
    "charging_ma": 100,
    "wheel": {
        "pin": 15,
        "magnets": 4,
        "fastest_rpm": 120,
        "slow_mrpm": 6500,
        "cutin_mrpm": 6700,
        "cutout_mrpm": 6300,
    },
    "i2c": {"bus": 0, "sda": 4, "scl": 5, "freq_hz": 400_000},
    "channels": {
        "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
        "charge_a": {
            "chip": "ina226",
            "address": 64,
            "reads": "current",
            "shunt_uohm": 1500,
            "range_ma": 50_000,
        },
        "rectified_v": {"chip": "adc", "pin": 26, "full_mv": 3300, "gain_ppm": 31_303_030},
        "battery_degc": {"chip": "adc", "pin": 27, "gain_ppm": 10_000_000, "zero_mv": 500},
    },
}


def ads1115(**told: int) -> dict[str, Any]:
    return {"chip": "ads1115", "address": 72, "input": 1, "full_mv": 4096, "gain_ppm": 31_303_030, **told}


def changed(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    told = copy.deepcopy(GOOD)
    change(told)
    return told


def problems(told: dict[str, Any], secrets: dict[str, Any] | None = None) -> list[str]:
    with pytest.raises(settings.SettingsError) as caught:
        settings.Settings(told, secrets or {})
    found: list[str] = caught.value.problems
    assert str(caught.value) == "\n".join(found)
    return found


def test_good_settings_are_taken_as_they_are() -> None:
    made = settings.Settings(GOOD, {"wifi_ssid": "mill", "wifi_password": "water and wood"})
    assert (made.site, made.node, made.revision) == ("sallow-ghyll", "wheel", 3)
    assert (made.broker_host, made.broker_port, made.keepalive_s) == ("192.168.7.2", 1884, 20)
    assert (made.wheel.pin, made.wheel.magnets, made.wheel.cutin_mrpm) == (15, 4, 6700)
    assert made.layout.channels == ("wheel_rpm", "rectified_v", "battery_v", "charge_a", "battery_degc")
    assert [channel.channel for channel in made.channels] == [*made.layout.channels[1:]]
    charge = made.channels[2]
    assert (charge.address, charge.shunt_uohm, charge.invert, charge.zero_ua) == (64, 1500, False, 0)
    assert (made.wifi_ssid, made.wifi_password, made.broker_user) == ("mill", "water and wood", None)
    assert made.parked_pin is None


def test_what_may_be_left_out_has_a_sound_default() -> None:
    told = {
        "site": "s",
        "node": "n",
        "broker": {"host": "h"},
        "wheel": {"pin": 1, "magnets": 2, "cutin_mrpm": 5000},
    }
    made = settings.Settings({**told, "channels": {}}, {})
    assert (made.record_s, made.rewind_s, made.keepalive_s, made.broker_port) == (10, 30, 30, 1883)
    assert (made.wheel.fastest_rpm, made.wheel.slow_mrpm, made.wheel.cutout_mrpm) == (120, 5000, 5000)
    assert made.layout.channels == ("wheel_rpm",)


def test_the_demo_plants_own_settings_are_good() -> None:
    plant = load_plant(demo_plant_path())
    made = settings.Settings(node_settings(plant, "wheel", "127.0.0.1", 1883), {})
    assert set(made.layout.channels) == {sensor.channel for sensor in plant.sensors if sensor.node == "wheel"}


def test_everything_wrong_is_told_at_once() -> None:
    told = changed(
        lambda t: t.update(site="Sallow Ghyll", record_s=7, rewind_s=1, wheel={"pin": 15, "magnets": "4"})
    )
    told["channels"]["charge_a"]["shunt_uohm"] = 0
    found = problems(told, {"wifi_ssid": "x" * 40})
    for field in (
        "site ",
        "record_s 7",
        "rewind_s 1",
        "wheel.magnets",
        "wheel.cutin_mrpm",
        "charge_a.shunt_uohm 0",
    ):
        assert any(field in line for line in found), (field, found)
    assert any("wifi_ssid" in line for line in found)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: t.pop("site"), "site is missing: add it"),
        (lambda t: t.update(node="host"), 'node "host": is reserved'),
        (lambda t: t.update(node="a" * 33), "must be a text of 1 to 32 characters"),
        (lambda t: t.update(revision=-1), "revision -1: must lie between 0 and"),
        (lambda t: t.update(record_s=25), "record_s 25: use 5, 6, 10, 12, 15, 20, 30 or 60"),
        (lambda t: t.update(record_s=10.0), "record_s 10.0: must be a whole number from 5 to 60"),
        (lambda t: t.update(charging_ma=True), "charging_ma true: must be a whole number"),
        (lambda t: t.update(recrod_s=10), "recrod_s: is not a field of these settings"),
        (lambda t: t["broker"].pop("host"), "broker.host is missing"),
        (lambda t: t.update(broker="here"), 'broker "here": must be an object'),
        (lambda t: t["broker"].update(port=70_000), "broker.port 70000: must lie between 1 and 65535"),
        (lambda t: t["wheel"].update(magnets=13), "wheel.magnets 13: must lie between 1 and 12"),
        (lambda t: t["wheel"].update(slow_mrpm=6900), "wheel.slow_mrpm 6900: must be at least cutout_mrpm"),
        (lambda t: t["wheel"].update(pull="PULL_DOWN"), "wheel.pull: is not a field"),
        (lambda t: t.pop("i2c"), 'channels.battery_v.chip "ina226": needs the section i2c'),
        (lambda t: t["i2c"].update(scl=4), "i2c.scl 4: this pin is already used by i2c.sda"),
        (lambda t: t.update(parked_pin=15), "parked_pin 15: this pin is already used by wheel.pin"),
        (lambda t: t["channels"]["battery_degc"].update(pin=26), "already used by channels.rectified_v.pin"),
        (
            lambda t: t["channels"]["battery_v"].update(chip="ina219"),
            "use one of: ina226, ina228, adc, ads1115",
        ),
        (
            lambda t: t["channels"]["battery_v"].update(address=80),
            "battery_v.address 80: must lie between 64 and 79",
        ),
        (lambda t: t["channels"]["battery_v"].update(reads="current"), "battery_v.shunt_uohm is missing"),
        (lambda t: t["channels"]["charge_a"].update(invert=1), "charge_a.invert 1: must be true or false"),
        (lambda t: t["channels"]["charge_a"].update(range_ma=60_000), "needs more than the 81.92 mV"),
        (lambda t: t["channels"].update(batery_v={}), "channels.batery_v: is not a channel"),
        (
            lambda t: t["channels"]["rectified_v"].update(gain_ppm=0),
            "rectified_v.gain_ppm 0: must not be zero",
        ),
        (lambda t: t["channels"]["battery_degc"].update(gain_ppm=100_000), "less than 20 degrees"),
        (
            lambda t: t["channels"].update(stage_m={"chip": "ina226", "address": 66}),
            "an ina226 reads the current of",
        ),
        (
            lambda t: t.update(alternator={"pin": 15, "pulses_per_turn": 8}),
            "alternator.pin 15: this pin is already used by wheel.pin",
        ),
        (
            lambda t: t.update(alternator={"pin": 14, "pulses_per_turn": 0}),
            "alternator.pulses_per_turn 0: must lie between 1 and 60",
        ),
        (
            lambda t: t.update(alternator={"pin": 14, "pulses_per_turn": 8, "fastest_rpm": 16_000}),
            "fastest_rpm 16000: with these pulses_per_turn passes the 2000 Hz that can be counted; at most 15000",
        ),
        (lambda t: t.update(alternator={"pulses_per_turn": 8}), "alternator.pin is missing"),
        (
            lambda t: t["channels"]["charge_a"].update(chip="ina228"),
            'channels.charge_a.chip "ina228": at this address there is already an ina226',
        ),
        (
            lambda t: t["channels"].update(
                load_a={
                    "chip": "ina228",
                    "address": 65,
                    "reads": "current",
                    "shunt_uohm": 1500,
                    "range_ma": 110_000,
                }
            ),
            "channels.load_a.range_ma 110000: needs more than the 163.84 mV",
        ),
        (
            lambda t: t["channels"].update(rectified_v=ads1115(address=64)),
            "channels.rectified_v.address 64: must lie between 72 and 75",
        ),
        (
            lambda t: t["channels"].update(rectified_v=ads1115(full_mv=3300)),
            "channels.rectified_v.full_mv 3300: use one of: 256, 512, 1024, 2048, 4096, 6144",
        ),
        (
            lambda t: t["channels"].update(rectified_v=ads1115(), stage_m=ads1115()),
            "channels.stage_m.input 1: it is already read by channels.rectified_v",
        ),
        (
            lambda t: t["channels"].update(battery_degc={"chip": "ds18b20", "wire_pin": 26}),
            "channels.battery_degc.wire_pin 26: this pin is already used by channels.rectified_v.pin",
        ),
        (
            lambda t: t["channels"].update(battery_degc={"chip": "ds18b20", "wire_pin": 22, "rom": "28ff"}),
            'channels.battery_degc.rom "28ff": must be 16 hexadecimal digits that begin with 28',
        ),
        (
            lambda t: t["channels"].update(rectified_v={"chip": "ds18b20", "wire_pin": 22}),
            'channels.rectified_v.chip "ds18b20": reads the ..._degc channels',
        ),
        (
            lambda t: t["channels"].update(
                battery_degc={"chip": "ds18b20", "wire_pin": 22},
                water_degc={"chip": "ds18b20", "wire_pin": 22},
            ),
            "channels.water_degc.rom null: two on one wire need a number each; the same one has",
        ),
        (
            lambda t: t["channels"].update(
                shaft_nm={"chip": "hx711", "data_pin": 2, "clock_pin": 2, "step_ppm": 0}
            ),
            "channels.shaft_nm.step_ppm 0: must not be zero",
        ),
        (
            lambda t: t["channels"].update(
                shaft_nm={"chip": "hx711", "data_pin": 2, "clock_pin": 2, "step_ppm": 9}
            ),
            "channels.shaft_nm.clock_pin 2: this pin is already used by channels.shaft_nm.data_pin",
        ),
        (
            lambda t: t["channels"].update(load_a=dict(t["channels"]["charge_a"])),
            "channels.load_a.address 64: its shunt is already read by",
        ),
    ],
)
def test_each_mistake_names_its_field(change: Callable[[dict[str, Any]], object], told: str) -> None:
    found = problems(changed(change))
    assert any(told in line for line in found), found


def test_a_node_must_measure_something() -> None:
    told = changed(lambda t: (t.pop("wheel"), t.update(channels={})))
    assert problems(told) == ["channels {}: name at least one channel, or give the section wheel"]


def test_no_secret_is_ever_shown() -> None:
    found = problems(GOOD, {"wifi_password": "p" * 64, "broker_password": ["hunter2"], "token": "hunter2"})
    assert len(found) == 3
    assert all("hunter2" not in line and "pppp" not in line for line in found)


def test_files_are_read_from_the_nodes_folder(tmp_path: Path) -> None:
    (tmp_path / "settings.json").write_text(json.dumps(GOOD))
    assert settings.load(str(tmp_path)).wifi_ssid is None
    (tmp_path / "secrets.json").write_text(json.dumps({"wifi_ssid": "mill"}))
    assert settings.load(str(tmp_path)).wifi_ssid == "mill"


@pytest.mark.parametrize(
    ("text", "told"), [("{", "is not JSON"), ("[1]", "must hold one JSON object"), (None, "cannot be read")]
)
def test_a_file_that_is_no_settings_is_told_by_its_name(tmp_path: Path, text: str | None, told: str) -> None:
    if text is not None:
        (tmp_path / "settings.json").write_text(text)
    with pytest.raises(settings.SettingsError, match=r"settings\.json") as caught:
        settings.load(str(tmp_path))
    assert told in str(caught.value)


def test_every_chip_can_be_told_and_says_how_it_measures() -> None:
    told = changed(
        lambda t: t.update(
            alternator={"pin": 14, "pulses_per_turn": 8},
            channels={
                "rectified_v": ads1115(),
                "stage_m": ads1115(input=2, gain_ppm=5_000_000, zero_mv=600),
                "battery_v": {"chip": "ina228", "address": 64, "reads": "bus"},
                "charge_a": {
                    "chip": "ina228", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 25_000
                },
                "battery_degc": {"chip": "ds18b20", "wire_pin": 22, "rom": "28ff641e8216034d"},
                "water_degc": {"chip": "ds18b20", "wire_pin": 22, "rom": "28000000000000d7"},
                "shaft_nm": {"chip": "hx711", "data_pin": 10, "clock_pin": 11, "step_ppm": -4000},
            },
        )
    )  # fmt: skip
    # The check bytes of the two made-up numbers, by the published algorithm.
    for channel in ("battery_degc", "water_degc"):
        rom = told["channels"][channel]["rom"][:14]
        told["channels"][channel]["rom"] = rom + f"{crc_8_maxim(bytes.fromhex(rom)):02x}"
    made = settings.Settings(told, {})
    assert made.layout.channels == (
        "wheel_rpm",
        "alternator_rpm",
        "rectified_v",
        "battery_v",
        "stage_m",
        "charge_a",
        "battery_degc",
        "water_degc",
        "shaft_nm",
    )
    assert (made.alternator.pin, made.alternator.pulses_per_turn, made.alternator.fastest_rpm) == (
        14,
        8,
        3000,
    )
    for channel in made.channels:
        assert all(hasattr(channel, name) for name in channel.detail)
        assert channel.chip in {"ads1115", "ina228", "ds18b20", "hx711"}
