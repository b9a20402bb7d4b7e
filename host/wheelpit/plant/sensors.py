"""What measures on a plant: the kinds of `[[sensor]]` in `plant.toml`, and what a key of any table means.

Each number carries its unit in its name, and beside it the range in which it is believed and what it means.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, NamedTuple


class Told(NamedTuple):
    """What a key means, and for a number the range in which it is believed."""

    meaning: str
    lowest: float | None = None
    highest: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupSensor:
    """A magnetic pickup at the wheel's shaft, or a second one at the alternator's."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["pickup"], Told("the kind of sensor")]
    pin: Annotated[int, Told("the board's pin number", 0, 48)]
    magnets: Annotated[int, Told("magnets that pass in one turn; four or more see a stop soonest", 1, 12)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSensor:
    """One phase of the alternator through an opto-coupler: a pulse for each pole pair in a turn, f = p n / 60."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["phase"], Told("the kind of sensor")]
    pin: Annotated[int, Told("the board's pin number", 0, 48)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerSensor:
    """A DS18B20 thermometer on a one-wire bus."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["thermometer"], Told("the kind of sensor")]
    pin: Annotated[int, Told("the board's pin number", 0, 48)]
    rom: Annotated[str | None, Told("its number, 16 hexadecimal digits, where several share a wire")] = None
    sensor_offset: Annotated[float, Told("limit of its error", 0, 10, "°C")] = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCellSensor:
    """A load cell at a torque arm, read by an HX711 converter."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["load-cell"], Told("the kind of sensor")]
    data_pin: Annotated[int, Told("the board's pin for the converter's data", 0, 48)]
    clock_pin: Annotated[int, Told("the board's pin for the converter's clock", 0, 48)]
    codes_per_nm: Annotated[float, Told("converter codes per newton metre at the shaft", -1e6, 1e6, "codes")]
    zero_code: Annotated[int, Told("what the converter shows with no torque", -8_388_607, 8_388_607)] = 0
    sensor_pct: Annotated[float, Told("limit of its gain error after the calibrating pull", 0, 20, "%")] = 1.0
    sensor_offset: Annotated[float, Told("limit of its zero's error", 0, 1000, "N m")] = 0.5
    gain_u_pct: Annotated[
        float | None,
        Told("standard uncertainty of its gain after a comparison; replaces sensor_pct", 0, 20, "%"),
    ] = None
    offset_u: Annotated[
        float | None, Told("standard uncertainty of its zero after a comparison", 0, 1000, "N m")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DividerSensor:
    """A voltage divided by two resistors down to an analogue input."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["divider"], Told("the kind of sensor")]
    pin: Annotated[int, Told("the board's pin number, or the input 0..3 of the converter at address", 0, 48)]
    address: Annotated[int | None, Told("I2C address of an ADS1115 converter that reads it", 0x48, 0x4B)] = (
        None
    )
    upper_ohm: Annotated[float, Told("resistor from the measured voltage to the pin", 100, 1e7, "ohm")]
    lower_ohm: Annotated[float, Told("resistor from the pin to ground", 10, 1e6, "ohm")]
    full_mv: Annotated[int, Told("voltage at which the analogue input is full", 500, 6000, "mV")] = 3300
    offset_v: Annotated[float, Told("what it shows with nothing connected", -5, 5, "V")] = 0.0
    resistor_pct: Annotated[float, Told("tolerance of each of the two resistors", 0, 20, "%")] = 1.0
    converter_pct: Annotated[
        float | None,
        Told(
            "limit of the converter's gain error with its reference: 1 for a board's own, 0.15 for an ADS1115",
            0,
            20,
            "%",
        ),
    ] = None
    ppm_per_degc: Annotated[float, Told("drift of the ratio with temperature", 0, 1000, "1e-6/°C")] = 50.0
    gain_u_pct: Annotated[
        float | None,
        Told(
            "standard uncertainty of its gain after a comparison; replaces its parts' tolerances", 0, 20, "%"
        ),
    ] = None
    offset_u: Annotated[
        float | None,
        Told("standard uncertainty of its offset after a comparison, in the channel's unit", 0, 100, "V"),
    ] = None
    swing_degc: Annotated[
        float, Told("how far its electronics stray from the temperature of their data", 0, 60, "°C")
    ] = 15.0

    @property
    def full_scale_v(self) -> float:
        """Largest voltage it can show [V]."""
        return self.full_mv / 1000 * (self.upper_ohm + self.lower_ohm) / self.lower_ohm


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearSensor:
    """A sensor whose output voltage rises evenly with what it measures."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["linear"], Told("the kind of sensor")]
    pin: Annotated[int, Told("the board's pin number, or the input 0..3 of the converter at address", 0, 48)]
    address: Annotated[int | None, Told("I2C address of an ADS1115 converter that reads it", 0x48, 0x4B)] = (
        None
    )
    mv_per_unit: Annotated[float, Told("millivolts per unit of the channel", -1e5, 1e5, "mV")]
    zero_mv: Annotated[float, Told("millivolts at zero", 0, 6000, "mV")] = 0.0
    full_mv: Annotated[int, Told("voltage at which the analogue input is full", 500, 6000, "mV")] = 3300
    at: Annotated[
        Literal["headrace", "stream", "tailrace"] | None, Told("for stage_m: where the weir stands")
    ] = None
    sensor_pct: Annotated[float, Told("limit of the sensor's gain error", 0, 20, "%")] = 0.5
    sensor_offset: Annotated[
        float | None,
        Told(
            "limit of the sensor's offset, in the channel's unit: 1 for a temperature, two converter codes else",
            0,
            100,
        ),
    ] = None
    ppm_per_degc: Annotated[float, Told("drift with temperature", 0, 1000, "1e-6/°C")] = 50.0
    gain_u_pct: Annotated[
        float | None,
        Told(
            "standard uncertainty of its gain after a comparison; replaces its parts' tolerances", 0, 20, "%"
        ),
    ] = None
    offset_u: Annotated[
        float | None,
        Told("standard uncertainty of its offset after a comparison, in the channel's unit", 0, 100),
    ] = None
    swing_degc: Annotated[
        float, Told("how far its electronics stray from the temperature of their data", 0, 60, "°C")
    ] = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorSensor:
    """The bus voltage of a current monitor chip (INA226: 36 V at most; INA228: 85 V)."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["monitor"], Told("the kind of sensor")]
    address: Annotated[int, Told("I2C address of the chip", 0x40, 0x4F)]
    chip: Annotated[Literal["ina226", "ina228"], Told("which chip it is")] = "ina226"
    chip_pct: Annotated[
        float | None, Told("limit of its gain error: 0.1 for an INA226, 0.05 for an INA228", 0, 20, "%")
    ] = None
    ppm_per_degc: Annotated[float, Told("drift of its gain with temperature", 0, 1000, "1e-6/°C")] = 50.0
    gain_u_pct: Annotated[
        float | None,
        Told(
            "standard uncertainty of its gain after a comparison; replaces its parts' tolerances", 0, 20, "%"
        ),
    ] = None
    offset_u: Annotated[
        float | None,
        Told("standard uncertainty of its offset after a comparison, in the channel's unit", 0, 100, "V"),
    ] = None
    swing_degc: Annotated[
        float, Told("how far its electronics stray from the temperature of their data", 0, 60, "°C")
    ] = 15.0

    @property
    def most_v(self) -> float:
        """Largest bus voltage that the chip stands [V]."""
        return 85.0 if self.chip == "ina228" else 36.0

    @property
    def full_scale_v(self) -> float:
        """Where the chip's bus register ends [V], beyond what it stands."""
        return 102.4 if self.chip == "ina228" else 40.96


ShuntPlace = Literal[
    "controller-to-battery-node",
    "battery-negative-post",
    "loads",
    "diversion-load",
    "bridge-negative",
    "bridge-positive",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntSensor:
    """A shunt whose drop a current monitor chip reads (INA226: 81.92 mV and 36 V at most; INA228: 163.84 mV and 85 V)."""

    channel: Annotated[str, Told("the channel it gives")]
    node: Annotated[str, Told("the node that reads it")]
    kind: Annotated[Literal["shunt"], Told("the kind of sensor")]
    address: Annotated[int, Told("I2C address of the chip", 0x40, 0x4F)]
    shunt_ohm: Annotated[float, Told("resistance of the shunt", 1e-5, 1, "ohm")]
    range_a: Annotated[float, Told("largest current to be measured", 0.1, 500, "A")]
    at: Annotated[ShuntPlace, Told("where the shunt sits")]
    invert: Annotated[bool, Told("whether it was wired the other way round")] = False
    zero_a: Annotated[float, Told("what it shows with its circuit open", -5, 5, "A")] = 0.0
    chip: Annotated[Literal["ina226", "ina228"], Told("which chip it is")] = "ina226"
    shunt_pct: Annotated[float, Told("tolerance of the shunt, its class", 0, 20, "%")] = 0.5
    chip_pct: Annotated[
        float | None,
        Told("limit of the chip's gain error: 0.1 for an INA226, 0.05 for an INA228", 0, 20, "%"),
    ] = None
    chip_uv: Annotated[
        float | None, Told("limit of the chip's offset: 10 for an INA226, 1 for an INA228", 0, 1000, "uV")
    ] = None
    ppm_per_degc: Annotated[float, Told("drift of shunt and chip with temperature", 0, 1000, "1e-6/°C")] = (
        50.0
    )
    gain_u_pct: Annotated[
        float | None,
        Told(
            "standard uncertainty of its gain after a comparison; replaces its parts' tolerances", 0, 20, "%"
        ),
    ] = None
    offset_u: Annotated[
        float | None,
        Told("standard uncertainty of its offset after a comparison, in the channel's unit", 0, 100, "A"),
    ] = None
    swing_degc: Annotated[
        float, Told("how far its electronics stray from the temperature of their data", 0, 60, "°C")
    ] = 15.0

    @property
    def full_drop_v(self) -> float:
        """Largest drop that the chip reads [V]."""
        return 0.16384 if self.chip == "ina228" else 0.08192

    @property
    def most_v(self) -> float:
        """Largest voltage that the chip stands at the shunt, against its own ground [V]."""
        return 85.0 if self.chip == "ina228" else 36.0


Sensor = (
    PickupSensor
    | PhaseSensor
    | DividerSensor
    | LinearSensor
    | ThermometerSensor
    | LoadCellSensor
    | MonitorSensor
    | ShuntSensor
)
