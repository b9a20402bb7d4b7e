"""What a node is told: the settings it boots with, and, for a simulated board, what hangs on its pins.

Both come from `plant.toml`, so that the firmware, the twin and the host cannot disagree about a shunt or a pin.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from wheelpit.errors import WheelpitError
from wheelpit.plant.chain import ratio_of
from wheelpit.plant.description import (
    DividerSensor,
    LinearSensor,
    LoadCellSensor,
    MonitorSensor,
    PhaseSensor,
    PickupSensor,
    ShuntSensor,
    ThermometerSensor,
)
from wheelpit.plant.limits import limits_of
from wheelpit.plant.operating import ceiling_rpm

if TYPE_CHECKING:
    from wheelpit.plant.description import Node, Plant, Sensor

# A node counts in steps: thousandths, but hundredths of a degree and of a newton metre, and tenths of a millimetre.
_STEPS: Final = 1000
_STEPS_BY_CHANNEL: Final = {
    "battery_degc": 100,
    "alternator_degc": 100,
    "water_degc": 100,
    "shaft_nm": 100,
    "stage_m": 10_000,
}
_KEEPALIVE_S: Final = 30
_REWIND_S: Final = 30
_FASTEST_HZ: Final = 2000  # that a node can count
_GUARD_ON_MS: Final = 300  # a runaway wheel passes from warning to harm in 0.3 to 3 s
_GUARD_BATTERY_ON_MS: Final = 1500  # a chopped charging current lifts the voltage for shorter
_GUARD_SPEED_ON_MS: Final = 1000


class NoSuchNodeError(WheelpitError):
    """A node that no sensor of the plant names."""

    def __init__(self, plant: Plant, node: str) -> None:
        known = ", ".join(plant.node_ids)
        super().__init__(f'node "{node}": no sensor of {plant.site.id} names it; use one of {known}')


def steps_per_unit(channel: str) -> int:
    """Return how many of a node's integer steps make one unit of a channel."""
    return _STEPS_BY_CHANNEL.get(channel, _STEPS)


def fastest_rpm(plant: Plant) -> int:
    """Return the speed above which an edge at the pickup is noise: three times the wheel's ceiling speed [rpm].

    No overshot wheel keeps its water above the ceiling; the factor leaves room for magnets that are glued on
    as close as a third of the even distance.
    """
    return math.ceil(3 * ceiling_rpm(plant) / 10) * 10


def _sensors_of(plant: Plant, node: str) -> list[Sensor]:
    found = [sensor for sensor in plant.sensors if sensor.node == node]
    if not found:
        raise NoSuchNodeError(plant, node)
    return found


def node_settings(plant: Plant, node: str, host: str, port: int) -> dict[str, Any]:
    """Return what goes into a node's `settings.json`.

    Args:
        plant: The plant.
        node: The node's id.
        host: Address of the broker.
        port: Port of the broker.

    Returns:
        A dictionary that `json.dump` can write; it holds no secret.

    Raises:
        NoSuchNodeError: No sensor names the node.
    """
    sensors = _sensors_of(plant, node)
    told = plant.node(node)
    limits = limits_of(plant)
    settings: dict[str, Any] = {
        "site": plant.site.id,
        "node": node,
        "revision": 1,
        "broker": {"host": host, "port": port, "keepalive_s": _KEEPALIVE_S},
        "record_s": told.record_s,
        "rewind_s": _REWIND_S,
        "charging_ma": round(limits.charging_a * 1000),
        "i2c": {"bus": told.i2c_bus, "sda": told.i2c_sda, "scl": told.i2c_scl, "freq_hz": told.i2c_hz},
        "channels": {},
    }
    if told.parked_pin is not None:
        settings["parked_pin"] = told.parked_pin
        settings["parked_min"] = told.parked_min
    for sensor in sensors:
        if isinstance(sensor, PhaseSensor) or (
            isinstance(sensor, PickupSensor) and sensor.channel == "alternator_rpm"
        ):
            settings["alternator"] = _alternator(plant, sensor)
        elif isinstance(sensor, PickupSensor):
            settings["wheel"] = {
                "pin": sensor.pin,
                "magnets": sensor.magnets,
                "fastest_rpm": fastest_rpm(plant),
                "slow_mrpm": round(limits.slow_rpm * 1000),
                "cutin_mrpm": round(limits.cutin_rpm * 1000),
                "cutout_mrpm": round(limits.cutout_rpm * 1000),
            }
        else:
            settings["channels"][sensor.channel] = _channel(sensor)
    guard = _guard(plant, told, settings)
    if guard:
        settings["guard"] = guard
    return settings


def _guard(plant: Plant, told: Node, settings: dict[str, Any]) -> dict[str, Any]:
    """Return the guard's limits for the channels that the node has, and its pins.

    The limit after the bridge is the only one that may act: it stands above what normal life reaches, a controller's
    test of its source included, and below the converter's largest input, and is passed within a second or so.
    """
    limits = limits_of(plant)
    guard: dict[str, Any] = {}
    if "rectified_v" in settings["channels"]:
        guard["rectified"] = {
            "warning_mv": round(limits.rectified_warning_v * 1000),
            "limit_mv": round(limits.rectified_guard_v * 1000),
            "on_ms": _GUARD_ON_MS,
        }
    if "battery_v" in settings["channels"]:
        guard["battery"] = {
            "limit_mv": round(limits.overcharge_at_25_v * 1000),
            "mv_per_degc": min(0, round(limits.v_per_degc * 1000)),
            "coldest_degc": min(25, round(limits.coldest_degc)),
            "on_ms": _GUARD_BATTERY_ON_MS,
        }
    if "wheel" in settings:
        guard["overspeed"] = {"limit_mrpm": round(limits.racing_rpm * 1000), "on_ms": _GUARD_SPEED_ON_MS}
        guard["stall"] = {"after_ms": round(limits.stop_grace_s * 1000)}
    if guard:
        for name in ("lamp_pin", "buzzer_pin", "act_pin", "reset_pin"):
            pin = getattr(told, f"guard_{name}")
            if pin is not None:
                guard[name] = pin
        if told.guard_act_pin is not None:
            guard["act_level"] = told.guard_act_level
    return guard


def _alternator(plant: Plant, sensor: PickupSensor | PhaseSensor) -> dict[str, Any]:
    """Return the settings of the second edge source: from its pickup's magnets, or from the pole pairs of a phase."""
    pulses = sensor.magnets if isinstance(sensor, PickupSensor) else plant.alternator.pole_pairs
    most_rpm = min(3 * ceiling_rpm(plant) * ratio_of(plant), _FASTEST_HZ * 60 // pulses)
    return {
        "pin": sensor.pin,
        "pulses_per_turn": pulses,
        "fastest_rpm": max(math.floor(most_rpm / 100) * 100, 100),
    }


def _channel(sensor: Sensor) -> dict[str, Any]:
    """Return one channel's settings.

    At an analogue pin the node computes (pin_mv - zero_mv) gain_ppm / 1e6 - offset, in steps of the channel.
    """
    if isinstance(sensor, MonitorSensor):
        return {"chip": sensor.chip, "address": sensor.address, "reads": "bus"}
    if isinstance(sensor, ShuntSensor):
        return {
            "chip": sensor.chip,
            "address": sensor.address,
            "reads": "current",
            "shunt_uohm": round(sensor.shunt_ohm * 1e6),
            "range_ma": round(sensor.range_a * 1000),
            "invert": sensor.invert,
            "zero_ua": round(sensor.zero_a * 1e6),
        }
    if isinstance(sensor, ThermometerSensor):
        told: dict[str, Any] = {"chip": "ds18b20", "wire_pin": sensor.pin}
        return told if sensor.rom is None else {**told, "rom": sensor.rom}
    steps = steps_per_unit(sensor.channel)
    if isinstance(sensor, LoadCellSensor):
        return {
            "chip": "hx711",
            "data_pin": sensor.data_pin,
            "clock_pin": sensor.clock_pin,
            "zero_code": sensor.zero_code,
            "step_ppm": round(steps / sensor.codes_per_nm * 1e6),
        }
    if not isinstance(sensor, DividerSensor | LinearSensor):
        raise TypeError(sensor.kind)
    if isinstance(sensor, DividerSensor):
        gain = (sensor.upper_ohm + sensor.lower_ohm) / sensor.lower_ohm * steps / 1000
        zero_mv, offset = 0, sensor.offset_v * steps
    else:
        gain = steps / sensor.mv_per_unit
        zero_mv = round(sensor.zero_mv)
        offset = (sensor.zero_mv - zero_mv) * gain  # what rounding to whole millivolts leaves over
    where = {"chip": "adc", "pin": sensor.pin}
    if sensor.address is not None:
        where = {"chip": "ads1115", "address": sensor.address, "input": sensor.pin}
    return {
        **where,
        "full_mv": sensor.full_mv,
        "gain_ppm": round(gain * 1e6),
        "zero_mv": zero_mv,
        "offset": round(offset),
    }


def node_wiring(plant: Plant, node: str) -> dict[str, Any]:
    """Return what hangs on the pins and the bus of a node, for a simulated board.

    `i2c` tells by address which voltage a monitor chip's bus input sees and which current its shunt carries,
    `adc` by pin the millivolts per unit, `edges` by pin the shaft whose magnets pass. A shunt that is wired
    the other way round says `reversed`; one that reads something with its circuit open says `zero_ua`. A converter on
    the bus tells `inputs` as `adc` does. A thermometer on its wire and a load cell are not simulated.

    Args:
        plant: The plant.
        node: The node's id.

    Returns:
        A dictionary that `json.dump` can write.

    Raises:
        NoSuchNodeError: No sensor names the node.
    """
    i2c: dict[str, dict[str, Any]] = {}
    adc: dict[str, dict[str, Any]] = {}
    edges: dict[str, str] = {}
    for sensor in _sensors_of(plant, node):
        if isinstance(sensor, PickupSensor | PhaseSensor):
            edges[str(sensor.pin)] = sensor.channel.removesuffix("_rpm")
        elif isinstance(sensor, DividerSensor):
            per_unit = 1000 * sensor.lower_ohm / (sensor.upper_ohm + sensor.lower_ohm)
            zero_mv = sensor.offset_v * per_unit
            wired = {"channel": sensor.channel, "mv_per_unit": per_unit, "zero_mv": zero_mv}
            _inputs(sensor, adc, i2c)[str(sensor.pin)] = wired
        elif isinstance(sensor, LinearSensor):
            _inputs(sensor, adc, i2c)[str(sensor.pin)] = {
                "channel": sensor.channel,
                "mv_per_unit": sensor.mv_per_unit,
                "zero_mv": sensor.zero_mv,
            }
        elif isinstance(sensor, MonitorSensor | ShuntSensor):
            chip = i2c.setdefault(str(sensor.address), {"chip": sensor.chip, "bus": None, "shunt": None})
            if isinstance(sensor, MonitorSensor):
                chip["bus"] = sensor.channel
            else:
                chip["shunt"] = sensor.channel
                chip["shunt_uohm"] = round(sensor.shunt_ohm * 1e6)
                if sensor.invert:
                    chip["reversed"] = True
                if sensor.zero_a:
                    chip["zero_ua"] = round(sensor.zero_a * 1e6)
    return {"i2c": i2c, "adc": adc, "edges": edges}


def _inputs(
    sensor: DividerSensor | LinearSensor, adc: dict[str, dict[str, Any]], i2c: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    """Return the inputs of the board, or of the converter that reads a sensor."""
    if sensor.address is None:
        return adc
    inputs: dict[str, Any] = i2c.setdefault(str(sensor.address), {"chip": "ads1115", "inputs": {}})["inputs"]
    return inputs
