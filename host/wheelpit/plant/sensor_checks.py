"""Contradictions among a plant's sensors: a channel from the wrong kind, a pin or chip claimed twice."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import CHANNELS
from wheelpit.plant.description import (
    DividerSensor,
    LinearSensor,
    LoadCellSensor,
    MonitorSensor,
    ShuntSensor,
    ThermometerSensor,
)

if TYPE_CHECKING:
    from wheelpit.plant.description import Node, Plant, Sensor

CONVERTER_MV: Final = (256, 512, 1024, 2048, 4096, 6144)  # the full scales of an ADS1115
_CONVERTER_INPUTS: Final = 4
_ROM: Final = re.compile(r"28[0-9a-f]{14}")
# Units of a channel over the whole scale of an analogue input, beyond which a slip is more likely than a sensor.
_LEAST_SPAN: Final = 0.05
_MOST_SPAN: Final = 1e5
_CHANNELS_OF: Final[dict[str, tuple[str, ...]]] = {
    "pickup": ("wheel_rpm", "alternator_rpm"),
    "phase": ("alternator_rpm",),
    "thermometer": tuple(name for name in CHANNELS if name.endswith("_degc")),
    "load-cell": ("shaft_nm",),
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
    if any(getattr(sensor, "address", None) is not None for sensor in sensors):
        claims.append((told.i2c_sda, "the I2C data line", "node.i2c_sda"))
        claims.append((told.i2c_scl, "the I2C clock line", "node.i2c_scl"))
    if told.parked_pin is not None:
        claims.append((told.parked_pin, 'the switch "working here"', "node.parked_pin"))
    claims += _guard_pins(told, lines)
    wires: dict[int, list[str | None]] = {}
    for sensor in sensors:
        if isinstance(sensor, ThermometerSensor):
            roms = wires.setdefault(sensor.pin, [])
            if not roms:
                claims.append((sensor.pin, sensor.channel, f"{sensor_key(sensor)}.pin"))
            elif sensor.rom is None or sensor.rom in roms or None in roms:
                lines.append(
                    f"{sensor_key(sensor)}.rom: several share the wire at pin {sensor.pin}; give each its own"
                )
            roms.append(sensor.rom)
        else:
            claims += [
                (getattr(sensor, field), sensor.channel, f"{sensor_key(sensor)}.{field}")
                for field in ("pin", "data_pin", "clock_pin")
                if hasattr(sensor, field) and getattr(sensor, "address", None) is None
            ]
    lines += _chips(sensors)
    taken: dict[int, str] = {}
    for pin, what, key in claims:
        if pin in taken:
            lines.append(f"{key} = {pin}: already used by {taken[pin]}; choose another pin")
        taken.setdefault(pin, what)
    return lines


def _guard_pins(told: Node, lines: list[str]) -> list[tuple[int, str, str]]:
    """Return the guard's claims, and tell an output that acts and that nobody could reset."""
    claims: list[tuple[int, str, str]] = []
    for key, what in (
        ("guard_lamp_pin", "the guard's lamp"),
        ("guard_buzzer_pin", "the guard's buzzer"),
        ("guard_act_pin", "what the guard sets off"),
        ("guard_reset_pin", "the guard's reset button"),
    ):
        pin = getattr(told, key)
        if pin is not None:
            claims.append((pin, what, f"node.{key}"))
    if told.guard_act_pin is not None and told.guard_reset_pin is None:
        lines.append(
            f"node.guard_act_pin = {told.guard_act_pin}: needs guard_reset_pin, a button at the wheel: what has acted "
            "stays until it is reset by hand"
        )
    return claims


def _chips(sensors: list[Sensor]) -> list[str]:
    """Tell inputs of chips on the I2C bus that two sensors claim, and an address with two kinds of chip."""
    lines: list[str] = []
    inputs: dict[tuple[object, ...], str] = {}
    kinds: dict[int, str] = {}
    for sensor in sensors:
        place: tuple[object, ...]
        if isinstance(sensor, MonitorSensor | ShuntSensor):
            address, chip = sensor.address, str(sensor.chip)
            place = (sensor.kind, address)
        elif isinstance(sensor, DividerSensor | LinearSensor) and sensor.address is not None:
            address, chip = sensor.address, "ads1115"
            place = (address, sensor.pin)
        else:
            continue
        other = inputs.setdefault(place, sensor.channel)
        if other != sensor.channel:
            lines.append(
                f"{sensor_key(sensor)}.address = {address:#x}: that chip already gives {other}; give each its own"
            )
        known = kinds.setdefault(address, chip)
        if known != chip:
            lines.append(
                f"{sensor_key(sensor)}.address = {address:#x}: there is already an {known}, and this is an {chip}"
            )
    return lines


def _sensor(sensor: Sensor) -> list[str]:
    lines: list[str] = []
    of = sensor_key(sensor)
    may = _CHANNELS_OF[sensor.kind]
    if sensor.channel not in CHANNELS:
        lines.append(f'{of}.channel = "{sensor.channel}": no such channel; known: {", ".join(CHANNELS)}')
    elif sensor.channel not in may:
        lines.append(f'{of}.kind = "{sensor.kind}": cannot give {sensor.channel}; it gives {", ".join(may)}')
    elif isinstance(sensor, ShuntSensor):
        lines += _shunt(sensor)
    if isinstance(sensor, DividerSensor | LinearSensor) and sensor.address is not None:
        lines += _converter(sensor, sensor.address)
    if isinstance(sensor, ThermometerSensor) and sensor.rom is not None and not _ROM.fullmatch(sensor.rom):
        lines.append(
            f'{of}.rom = "{sensor.rom}": write 16 hexadecimal digits, 28 first, as the thermometer tells them'
        )
    if isinstance(sensor, LoadCellSensor) and sensor.codes_per_nm == 0:
        lines.append(
            f"{of}.codes_per_nm = 0: pull with a known force at a known arm, and give the codes per N m"
        )
    if isinstance(sensor, LinearSensor):
        lines += _linear(sensor)
    return lines


def _shunt(sensor: ShuntSensor) -> list[str]:
    lines: list[str] = []
    of = sensor_key(sensor)
    if sensor.at not in _PLACES_OF[sensor.channel]:
        places = " or ".join(f'"{place}"' for place in _PLACES_OF[sensor.channel])
        lines.append(f'{of}.at = "{sensor.at}": {sensor.channel} is measured at {places}')
    if sensor.range_a * sensor.shunt_ohm > sensor.full_drop_v:
        lines.append(
            f"{of}.range_a = {sensor.range_a:g}: the drop at {sensor.shunt_ohm:g} ohm passes the chip's "
            f"{sensor.full_drop_v * 1000:g} mV; give at most {sensor.full_drop_v / sensor.shunt_ohm:.4g}, or a "
            "smaller shunt"
        )
    return lines


def _linear(sensor: LinearSensor) -> list[str]:
    lines: list[str] = []
    of = sensor_key(sensor)
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


def _converter(sensor: DividerSensor | LinearSensor, address: int) -> list[str]:
    lines: list[str] = []
    of = sensor_key(sensor)
    if sensor.pin >= _CONVERTER_INPUTS:
        lines.append(f"{of}.pin = {sensor.pin}: the converter at {address:#x} has the inputs 0 to 3")
    if sensor.full_mv not in CONVERTER_MV:
        may = ", ".join(str(mv) for mv in CONVERTER_MV)
        lines.append(f"{of}.full_mv = {sensor.full_mv}: the converter's full scales are {may}")
    return lines


def sensor_key(sensor: Sensor) -> str:
    """Return how errors name a sensor."""
    return f"sensor {sensor.channel}"
