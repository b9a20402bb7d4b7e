"""How sure a sensor is, from what its parts' makers declare or from a comparison with a better meter.

A tolerance is a limit: every value within it is equally likely, so its standard uncertainty is the limit over the square
root of three (JCGM 100:2008, 4.3.7). Errors of gain and offset are one and the same all year; they never average out.
Limits that `plant.toml` does not tell are those of the parts' data sheets, from memory.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.contract.names import CHANNELS
from wheelpit.physics.uncertainty import combined_u, u_of_limits
from wheelpit.plant.sensors import (
    DividerSensor,
    LinearSensor,
    LoadCellSensor,
    MonitorSensor,
    ShuntSensor,
    ThermometerSensor,
)

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant
    from wheelpit.plant.sensors import Sensor

# By chip: limit of the gain error [%], of the offset at the shunt [uV] and at the bus [V], one code of each.
_CHIPS: Final = {
    "ina226": (0.1, 10.0, 7.5e-3, 2.5e-6, 1.25e-3),
    "ina228": (0.05, 1.0, 2.5e-3, 312.5e-9, 195.3125e-6),
}
_BOARD_PCT: Final = 1.0  # the board's supply is its reference
_BOARD_CODES: Final = 4095
_ADS1115_PCT: Final = 0.15
_ADS1115_CODES: Final = 32767
_OFFSET_CODES: Final = 2.0  # limit of a converter's offset
_TEMPERATURE_LIMIT: Final = 1.0  # of an analogue thermometer [°C]
_DS18B20_STEP: Final = 0.0625


class Precision(NamedTuple):
    """What a reading may be off.

    `gain_u` is the standard uncertainty of the gain [share of the value], `offset_u` that of the offset and
    `reading_u` that of one reading, both in the channel's unit; only the last averages out.
    """

    gain_u: float
    offset_u: float
    reading_u: float


class Sure(NamedTuple):
    """How sure a plant's channel is, as values and in words; see `Precision`."""

    channel: str
    gain_u: float
    offset_u: float
    text: str


EXACT: Final = Precision(0.0, 0.0, 0.0)  # what is counted


@lru_cache(maxsize=256)
def precision_of(sensor: Sensor) -> Precision:
    """Return how sure a sensor is.

    Example:
        >>> from wheelpit.plant import demo_plant_path, load_plant
        >>> sensor = load_plant(demo_plant_path()).sensor("charge_a")
        >>> f"{100 * precision_of(sensor).gain_u:.2f} %"
        '0.30 %'

    """
    gain_pct: list[float]
    if isinstance(sensor, ShuntSensor):
        chip_pct, chip_uv, _, code_v, _ = _CHIPS[sensor.chip]
        gain_pct = [sensor.shunt_pct, _told(sensor.chip_pct, chip_pct)]
        offset_u = u_of_limits(_told(sensor.chip_uv, chip_uv) * 1e-6 / sensor.shunt_ohm)
        reading_u = code_v / sensor.shunt_ohm
    elif isinstance(sensor, MonitorSensor):
        chip_pct, _, offset_v, _, reading_u = _CHIPS[sensor.chip]
        gain_pct = [_told(sensor.chip_pct, chip_pct)]
        offset_u = u_of_limits(offset_v)
    elif isinstance(sensor, DividerSensor):
        pct, codes = _converter(sensor)
        # The ratio (R1 + R2) / R2 changes by its upper part's share of either resistor's error.
        upper = sensor.upper_ohm / (sensor.upper_ohm + sensor.lower_ohm)
        gain_pct = [
            upper * sensor.resistor_pct,
            upper * sensor.resistor_pct,
            _told(sensor.converter_pct, pct),
        ]
        reading_u = sensor.full_scale_v / codes
        offset_u = u_of_limits(_OFFSET_CODES * reading_u)
    elif isinstance(sensor, LinearSensor):
        pct, codes = _converter(sensor)
        gain_pct = [sensor.sensor_pct, pct]
        reading_u = sensor.full_mv / codes / abs(sensor.mv_per_unit)
        usual = _TEMPERATURE_LIMIT if sensor.channel.endswith("_degc") else _OFFSET_CODES * reading_u
        offset_u = u_of_limits(_told(sensor.sensor_offset, usual))
    elif isinstance(sensor, ThermometerSensor):
        return Precision(0.0, u_of_limits(sensor.sensor_offset), _DS18B20_STEP)
    elif isinstance(sensor, LoadCellSensor):
        gain_u = (
            u_of_limits(sensor.sensor_pct / 100) if sensor.gain_u_pct is None else sensor.gain_u_pct / 100
        )
        offset_u = u_of_limits(sensor.sensor_offset) if sensor.offset_u is None else sensor.offset_u
        return Precision(gain_u, offset_u, 1 / abs(sensor.codes_per_nm))
    else:
        return EXACT
    drift = sensor.ppm_per_degc * 1e-6 * sensor.swing_degc
    gain_u = combined_u([u_of_limits(limit) for limit in (*(pct / 100 for pct in gain_pct), drift)])
    if sensor.gain_u_pct is not None:
        gain_u = math.hypot(sensor.gain_u_pct / 100, u_of_limits(drift))
    return Precision(gain_u, offset_u if sensor.offset_u is None else sensor.offset_u, reading_u)


def how_sure(plant: Plant) -> list[Sure]:
    """Return how sure each channel of a plant is, in the order of its sensors."""
    found: list[Sure] = []
    for sensor in plant.sensors:
        told = precision_of(sensor)
        unit = CHANNELS[sensor.channel].unit
        text = (
            "counted, exact" if told == EXACT else f"{100 * told.gain_u:.2f} % and {told.offset_u:.2g} {unit}"
        )
        if getattr(sensor, "gain_u_pct", None) is not None:
            text += ", by comparison"
        found.append(Sure(sensor.channel, told.gain_u, told.offset_u, text))
    return found


def _told(value: float | None, usual: float) -> float:
    return usual if value is None else value


def _converter(sensor: DividerSensor | LinearSensor) -> tuple[float, int]:
    """Return the limit of a converter's gain error [%] and how many codes its scale has."""
    return (_BOARD_PCT, _BOARD_CODES) if sensor.address is None else (_ADS1115_PCT, _ADS1115_CODES)
