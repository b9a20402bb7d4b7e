"""Contradictions among a plant's sensors: a channel from the wrong kind, a pin or chip claimed twice."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import CHANNELS
from wheelpit.plant.description import (
    DividerSensor,
    LinearSensor,
    MonitorSensor,
    PickupSensor,
    ShuntSensor,
)

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant, Sensor

MONITOR_SHUNT_V: Final = 0.08192  # largest drop an INA226 measures: 32 768 steps of 2.5 uV
MONITOR_BUS_V: Final = 36.0  # largest bus voltage it stands
# Units of a channel over the whole scale of an analogue input, beyond which a slip is more likely than a sensor.
_LEAST_SPAN: Final = 0.05
_MOST_SPAN: Final = 1e5
_CHANNELS_OF: Final[dict[str, tuple[str, ...]]] = {
    "pickup": ("wheel_rpm",),
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


def sensor_contradictions(plant: Plant) -> list[str]:
    """Return one line for each contradiction among the sensors of a plant."""
    lines: list[str] = []
    for name, count in Counter(sensor.channel for sensor in plant.sensors).items():
        if count > 1:
            lines.append(f'sensor.channel = "{name}": given by {count} sensors; keep one')
    for sensor in plant.sensors:
        lines += _sensor(sensor)
    for node in plant.node_ids:
        lines += _pins(plant, node)
    return lines


def _pins(plant: Plant, node: str) -> list[str]:
    """Tell pins and chips of one node that two things claim."""
    lines: list[str] = []
    told = plant.node(node)
    sensors = [sensor for sensor in plant.sensors if sensor.node == node]
    claims: list[tuple[int, str, str]] = []
    if any(isinstance(sensor, MonitorSensor | ShuntSensor) for sensor in sensors):
        claims.append((told.i2c_sda, "the I2C data line", "node.i2c_sda"))
        claims.append((told.i2c_scl, "the I2C clock line", "node.i2c_scl"))
    if told.parked_pin is not None:
        claims.append((told.parked_pin, 'the switch "working here"', "node.parked_pin"))
    chips: dict[tuple[str, int], str] = {}
    for sensor in sensors:
        if isinstance(sensor, PickupSensor | DividerSensor | LinearSensor):
            claims.append((sensor.pin, sensor.channel, f"{sensor_key(sensor)}.pin"))
            continue
        other = chips.setdefault((sensor.kind, sensor.address), sensor.channel)
        if other != sensor.channel:
            lines.append(
                f"{sensor_key(sensor)}.address = {sensor.address:#x}: that chip already gives {other}; give each its own"
            )
    taken: dict[int, str] = {}
    for pin, what, key in claims:
        if pin in taken:
            lines.append(f"{key} = {pin}: already used by {taken[pin]}; choose another pin")
        taken.setdefault(pin, what)
    return lines


def _sensor(sensor: Sensor) -> list[str]:
    lines: list[str] = []
    of = sensor_key(sensor)
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
        span = sensor.full_mv / abs(sensor.mv_per_unit) if sensor.mv_per_unit else float("inf")
        if not _LEAST_SPAN <= span <= _MOST_SPAN:
            lines.append(
                f"{of}.mv_per_unit = {sensor.mv_per_unit:g}: the whole scale would be {span:g} units; give the "
                "millivolts per unit of the channel"
            )
        if sensor.at is not None and sensor.channel != "stage_m":
            lines.append(f'{of}.at = "{sensor.at}": only stage_m has it; remove it')
        if sensor.at is None and sensor.channel == "stage_m":
            lines.append(
                f'{of}.at: missing; add "headrace", "stream" or "tailrace": stream flow is not wheel flow'
            )
    return lines


def sensor_key(sensor: Sensor) -> str:
    """Return how errors name a sensor."""
    return f"sensor {sensor.channel}"
