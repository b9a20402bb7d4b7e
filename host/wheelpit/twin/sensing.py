"""What the sensors make of the truth: gain, offset, noise and steps, drawn once per plant from a seed.

The figures are standard deviations that go with the parts a plant's description names: resistors of 1 %, shunts of
class 0.5, the monitor chip's and a converter's data sheets (from memory). Errors of gain and offset are the same all
year, as those of real parts are: they do not average out. Faults of sensors act here, behind the plant's truth.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import (
    DividerSensor,
    LinearSensor,
    MonitorSensor,
    PhaseSensor,
    PickupSensor,
    ShuntSensor,
)
from wheelpit.twin.condition import SOUND

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wheelpit.plant import Plant
    from wheelpit.plant.description import Sensor
    from wheelpit.twin.condition import Spoilt

_CODES: Final = 4095  # of the board's converter
_MONITOR_CODE_V: Final = 1.25e-3
_SHUNT_CODE_V: Final = 2.5e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One sensor with its chip: `shown = gain * true + offset + noise`, in whole codes, within its range.

    All in the unit of its channel; `noise` is the standard deviation of one reading, `code` the step of its converter
    (0: none), `least` and `most` the ends of its scale.
    """

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    code: float = 0.0
    least: float = -math.inf
    most: float = math.inf


IDEAL: Final = Instrument()


def instruments_of(plant: Plant, seed: int, *, worse: float = 1.0) -> dict[str, Instrument]:
    """Return the instruments of a plant's channels, their errors drawn from a seed.

    Args:
        plant: The plant.
        seed: Seed of the errors.
        worse: Errors as a multiple of the usual ones; 0 for sensors without error, whose scale still ends.
    """
    found: dict[str, Instrument] = {}
    for sensor in plant.sensors:
        if isinstance(sensor, PickupSensor | PhaseSensor):
            continue  # edges are counted, not read
        # Each sensor's error is its own: another sensor more or less does not change it.
        chance = random.Random(f"sensor {seed} {sensor.channel}")  # noqa: S311 - a simulation, no secret
        gain_u, offset_u, noise, code = _spec(sensor)
        least, most = _scale(sensor)
        found[sensor.channel] = Instrument(
            gain=1 + worse * gain_u * chance.gauss(),
            offset=worse * offset_u * chance.gauss(),
            noise=worse * noise,
            code=code,
            least=least,
            most=most,
        )
    return found


def _spec(sensor: Sensor) -> tuple[float, float, float, float]:
    """Return the standard deviations of gain, offset and one reading, and the step of the converter."""
    if isinstance(sensor, MonitorSensor):
        return 0.0005, 0.002, 0.0007, _MONITOR_CODE_V
    if isinstance(sensor, ShuntSensor):
        return 0.003, 4e-6 / sensor.shunt_ohm, 1.5e-6 / sensor.shunt_ohm, _SHUNT_CODE_V / sensor.shunt_ohm
    if isinstance(sensor, DividerSensor):
        code = sensor.full_scale_v / _CODES
        return 0.006, code, 0.5 * code, code
    if isinstance(sensor, LinearSensor):
        code = sensor.full_mv / _CODES / abs(sensor.mv_per_unit)
        return 0.003, 0.5 if sensor.channel.endswith("_degc") else code, 0.5 * code, code
    return 0.0, 0.0, 0.0, 0.0


def _scale(sensor: Sensor) -> tuple[float, float]:
    """Return the ends of a sensor's scale."""
    if isinstance(sensor, MonitorSensor):
        return 0.0, sensor.full_scale_v
    if isinstance(sensor, ShuntSensor):
        return -sensor.full_drop_v / sensor.shunt_ohm, sensor.full_drop_v / sensor.shunt_ohm
    if isinstance(sensor, DividerSensor):
        return 0.0, sensor.full_scale_v
    if isinstance(sensor, LinearSensor):
        ends = (
            -sensor.zero_mv / sensor.mv_per_unit,
            (sensor.full_mv - sensor.zero_mv) / sensor.mv_per_unit,
        )
        return min(ends), max(ends)
    return IDEAL.least, IDEAL.most


class SensorSet:
    """The sensors of one plant, between its truth and what its boards are fed.

    Args:
        plant: The plant as described: the boards are set up by it.
        seed: Seed of the sensors' errors and of their noise.
        worse: Errors as a multiple of the usual ones; 0 for sensors without error.
        codes: Whether values are rounded to whole codes here; not for boards whose simulated chips do that.
    """

    def __init__(self, plant: Plant, seed: int, *, worse: float = 1.0, codes: bool = False) -> None:
        self.instruments = instruments_of(plant, seed, worse=worse)
        self._exact = worse == 0 and not codes
        self._codes = codes
        self._noise = random.Random(f"noise {seed}")  # noqa: S311 - a simulation, no secret
        self._held: dict[str, float | None] = {}

    def read(
        self, mean: Mapping[str, float], spoilt: Mapping[str, Spoilt], ripple_v: float = 0.0
    ) -> Mapping[str, float | None]:
        """Return what the sensors show; None where one gives nothing.

        Args:
            mean: The truth by channel.
            spoilt: What is wrong with sensors, by channel.
            ripple_v: How far the rectified voltage is off its mean at the moment of sampling [V].
        """
        if self._exact and not spoilt and not ripple_v:
            self._held.clear()
            return mean
        shown: dict[str, float | None] = {}
        for channel, value in mean.items():
            instrument = self.instruments.get(channel)
            if instrument is None:
                shown[channel] = value
                continue
            true = value + ripple_v if channel == "rectified_v" else value
            shown[channel] = self._show(channel, true, instrument, spoilt.get(channel, SOUND))
        return shown

    def _show(self, channel: str, true: float, instrument: Instrument, how: Spoilt) -> float | None:
        if how.mode == "stuck" and channel in self._held:
            return self._held[channel]
        value: float | None
        if how.mode == "dead":
            value = None
        elif how.mode == "railed":
            value = instrument.most
        else:
            value = how.gain * (instrument.gain * true + instrument.offset)
            noise = math.hypot(instrument.noise, how.noise * instrument.most)
            if noise:
                value += noise * self._noise.gauss()
            if self._codes and instrument.code:
                value = round(value / instrument.code) * instrument.code
            value = min(max(value, instrument.least), instrument.most)
        if how.mode == "stuck":
            self._held[channel] = value
        else:
            self._held.pop(channel, None)
        return value
