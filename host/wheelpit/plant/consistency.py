"""Contradictions in a plant's description: values that are each believable but cannot all be true."""

from __future__ import annotations

import zoneinfo
from collections import Counter
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import CHANNELS
from wheelpit.contract.topics import HOST, check_id
from wheelpit.plant.description import (
    DividerSensor,
    LinearSensor,
    MonitorSensor,
    NoConverter,
    PickupSensor,
    ShuntSensor,
)

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant, Sensor

MONITOR_SHUNT_V: Final = 0.08192  # largest drop an INA226 measures: 32 768 steps of 2.5 uV
MONITOR_BUS_V: Final = 36.0  # largest bus voltage it stands
_NOMINAL_V: Final = (12.0, 24.0, 48.0)
_CHANNELS_OF: Final[dict[str, tuple[str, ...]]] = {
    "pickup": ("wheel_rpm", "alternator_rpm"),
    "divider": tuple(name for name in CHANNELS if name.endswith("_v")),
    "linear": tuple(name for name in CHANNELS if not name.endswith("_rpm")),
    "monitor": ("battery_v", "rectified_v", "node_v"),
    "shunt": tuple(name for name in CHANNELS if name.endswith("_a")),
}
_PLACES_OF: Final[dict[str, tuple[str, ...]]] = {
    "charge_a": ("controller-to-battery-node",),
    "battery_a": ("battery-negative-post",),
    "load_a": ("loads",),
    "dump_a": ("diversion-load",),
    "rectified_a": ("bridge-negative", "bridge-positive"),
}


def contradictions(plant: Plant) -> list[str]:
    """Return one line, with key, value and remedy, for each contradiction in a plant's description."""
    return [*_place(plant), *_machine(plant), *_electric(plant), *_sensors(plant)]


def _place(plant: Plant) -> list[str]:
    lines: list[str] = []
    names = [("site.id", plant.site.id), *(("node.id", node.id) for node in plant.nodes)]
    names += [(f"{_of(sensor)}.node", sensor.node) for sensor in plant.sensors]
    for key, value in names:
        try:
            check_id(value, key)
        except ValueError as error:
            lines.append(str(error))
        if value == HOST and key != "site.id":
            lines.append(f'{key} = "{HOST}": the host speaks under that name; choose another')
    try:
        zoneinfo.ZoneInfo(plant.site.time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        lines.append(
            f'site.time_zone = "{plant.site.time_zone}": no such zone; write one such as "Europe/London" or "UTC"'
        )
    repeated = [name for name, count in Counter(node.id for node in plant.nodes).items() if count > 1]
    lines += [f'node.id = "{name}": described more than once; keep one [[node]]' for name in repeated]
    lines += [
        f'node.id = "{node.id}": no [[sensor]] names it; correct the id or remove the table'
        for node in plant.nodes
        if node.id not in plant.node_ids
    ]
    return lines


def _machine(plant: Plant) -> list[str]:
    lines: list[str] = []
    water, wheel, belt = plant.water, plant.wheel, plant.belt
    if water.lowest_flow_l_s >= water.highest_flow_l_s:
        lines.append(
            f"water.lowest_flow_l_s = {water.lowest_flow_l_s:g}: give less than highest_flow_l_s, "
            f"{water.highest_flow_l_s:g}"
        )
    if wheel.bucket_radius_m >= wheel.diameter_m / 2:
        lines.append(
            f"wheel.bucket_radius_m = {wheel.bucket_radius_m:g}: the water lies inside the rim; give less than "
            f"half of diameter_m, {wheel.diameter_m / 2:g}"
        )
    if wheel.spill_deg >= wheel.empty_deg:
        lines.append(f"wheel.spill_deg = {wheel.spill_deg:g}: give less than empty_deg, {wheel.empty_deg:g}")
    if wheel.spill_deg - wheel.spill_deg_per_fill <= wheel.entry_deg:
        lines.append(
            f"wheel.spill_deg_per_fill = {wheel.spill_deg_per_fill:g}: a full bucket would spill before the "
            f"water enters at {wheel.entry_deg:g}°; give less than {wheel.spill_deg - wheel.entry_deg:g}"
        )
    if wheel.entry_fall_m >= water.head_m:
        lines.append(
            f"wheel.entry_fall_m = {wheel.entry_fall_m:g}: give less than water.head_m, {water.head_m:g}"
        )
    if belt.belt_mm and belt.kind != "flat":
        lines.append(
            f'belt.belt_mm = {belt.belt_mm:g}: only for kind = "flat"; for "{belt.kind}" give the pitch diameters '
            "and leave belt_mm out"
        )
    if belt.kind == "flat" and not belt.belt_mm:
        lines.append(
            "belt.belt_mm: missing; add the belt's thickness: on a small pulley it changes the ratio by per cents"
        )
    return lines


def _electric(plant: Plant) -> list[str]:
    lines: list[str] = []
    converter, controller, battery = plant.converter, plant.controller, plant.battery
    if battery.nominal_v not in _NOMINAL_V:
        lines.append(f"battery.nominal_v = {battery.nominal_v:g}: use 12, 24 or 48")
    if not isinstance(converter, NoConverter):
        if converter.stop_v > converter.start_v:
            lines.append(
                f"converter.stop_v = {converter.stop_v:g}: give at most start_v, {converter.start_v:g}"
            )
        if converter.start_v >= converter.largest_input_v:
            lines.append(
                f"converter.start_v = {converter.start_v:g}: give less than largest_input_v, "
                f"{converter.largest_input_v:g}"
            )
    if controller.float_v > controller.absorption_v:
        lines.append(
            f"controller.float_v = {controller.float_v:g}: give at most absorption_v, {controller.absorption_v:g}"
        )
    if controller.absorption_v >= battery.overcharge_v:
        lines.append(
            f"battery.overcharge_v = {battery.overcharge_v:g}: give more than controller.absorption_v, "
            f"{controller.absorption_v:g}"
        )
    # 2.0 to 2.7 V of a lead cell, 3.0 to 3.65 V of a LiFePO4 one: a bank of another voltage is a slip.
    low, high = 12.5 * battery.nominal_v / 12, 16.2 * battery.nominal_v / 12
    if not low <= controller.absorption_v <= high:
        lines.append(
            f"controller.absorption_v = {controller.absorption_v:g}: not of a {battery.nominal_v:g} V bank; give "
            f"{low:g} to {high:g}, or correct battery.nominal_v"
        )
    diverts = controller.topology.startswith("diversion")
    if diverts and controller.dump_w is None:
        lines.append("controller.dump_w: missing; add the power of the diversion load")
    if not diverts and controller.dump_w is not None:
        lines.append(
            f'controller.dump_w = {controller.dump_w:g}: topology = "{controller.topology}" has no diversion load; '
            "correct one of the two"
        )
    return lines


def _sensors(plant: Plant) -> list[str]:
    lines: list[str] = []
    for name, count in Counter(sensor.channel for sensor in plant.sensors).items():
        if count > 1:
            lines.append(f'sensor.channel = "{name}": given by {count} sensors; keep one')
    for sensor in plant.sensors:
        lines += _sensor(sensor)
    pins: dict[tuple[str, int], str] = {}
    for node in plant.node_ids:
        told = plant.node(node)
        if any(isinstance(s, MonitorSensor | ShuntSensor) and s.node == node for s in plant.sensors):
            pins[node, told.i2c_sda] = "the I2C data line"
            pins[node, told.i2c_scl] = "the I2C clock line"
    chips: dict[tuple[str, str, int], str] = {}
    for sensor in plant.sensors:
        if isinstance(sensor, PickupSensor | DividerSensor | LinearSensor):
            taken = pins.setdefault((sensor.node, sensor.pin), sensor.channel)
            if taken != sensor.channel:
                lines.append(f"{_of(sensor)}.pin = {sensor.pin}: already used by {taken}; choose another pin")
        else:
            taken = chips.setdefault((sensor.node, sensor.kind, sensor.address), sensor.channel)
            if taken != sensor.channel:
                lines.append(
                    f"{_of(sensor)}.address = {sensor.address:#x}: the chip already gives {taken}; give each its own"
                )
    return lines


def _sensor(sensor: Sensor) -> list[str]:
    lines: list[str] = []
    of = _of(sensor)
    may = _CHANNELS_OF[sensor.kind]
    if sensor.channel not in CHANNELS:
        lines.append(f'{of}.channel = "{sensor.channel}": no such channel; known: {", ".join(CHANNELS)}')
    elif sensor.channel not in may:
        lines.append(f'{of}.kind = "{sensor.kind}": cannot give {sensor.channel}; it gives {", ".join(may)}')
    elif isinstance(sensor, ShuntSensor) and sensor.at not in _PLACES_OF[sensor.channel]:
        places = " or ".join(f'"{place}"' for place in _PLACES_OF[sensor.channel])
        lines.append(f'{of}.at = "{sensor.at}": {sensor.channel} is measured at {places}')
    if isinstance(sensor, ShuntSensor) and sensor.range_a * sensor.shunt_ohm > MONITOR_SHUNT_V:
        lines.append(
            f"{of}.range_a = {sensor.range_a:g}: the drop at {sensor.shunt_ohm:g} ohm passes the chip's 81.92 mV; "
            f"give at most {MONITOR_SHUNT_V / sensor.shunt_ohm:.4g}, or a smaller shunt"
        )
    if isinstance(sensor, LinearSensor):
        if sensor.mv_per_unit == 0:
            lines.append(f"{of}.mv_per_unit = 0: give the millivolts per unit of the channel")
        if sensor.at is not None and sensor.channel != "stage_m":
            lines.append(f'{of}.at = "{sensor.at}": only stage_m has it; remove it')
        if sensor.at is None and sensor.channel == "stage_m":
            lines.append(
                f'{of}.at: missing; add "headrace", "stream" or "tailrace": stream flow is not wheel flow'
            )
    return lines


def _of(sensor: Sensor) -> str:
    return f"sensor {sensor.channel}"
