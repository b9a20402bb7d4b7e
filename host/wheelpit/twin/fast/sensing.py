"""What a node's sensors make of the truth: gain, offset, noise and steps, drawn once per plant from a seed.

The figures are standard deviations that go with the parts a plant's description names: resistors of 1 %, shunts of
class 0.5, the monitor chip's and a converter's data sheets (from memory). Errors of gain and offset are the same all
year, as those of real parts are: they do not average out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.plant.description import DividerSensor, LinearSensor, MonitorSensor, PickupSensor, ShuntSensor
from wheelpit.twin.fast.columns import chance

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.plant.description import Sensor

_CODES: Final = 4096  # of the board's converter


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One sensor with its chip: `shown = gain * true + offset + noise`, in whole codes, within its range.

    All in the unit of its channel; `noise` is the standard deviation of one reading, `code` the step of its converter
    (0: none).
    """

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    code: float = 0.0
    least: float = float("-inf")
    most: float = float("inf")


IDEAL: Final = Instrument()


def instruments_of(plant: Plant, seed: int, *, worse: float = 1.0) -> dict[str, Instrument]:
    """Return the instruments of a plant's channels, their errors drawn from a seed.

    Args:
        plant: The plant.
        seed: Seed of the errors.
        worse: Errors as a multiple of the usual ones; 0 for sensors without error.
    """
    found: dict[str, Instrument] = {}
    for sensor in plant.sensors:
        # Each sensor's error is its own: another sensor more or less does not change it.
        rng = chance(seed, f"sensor {sensor.channel}")
        gain_u, offset_u, noise, code = (value * worse for value in _spec(sensor))
        least, most = _range(sensor)
        found[sensor.channel] = Instrument(
            gain=1 + gain_u * float(rng.standard_normal()),
            offset=offset_u * float(rng.standard_normal()),
            noise=noise,
            code=code,
            least=least,
            most=most,
        )
    return found


def _spec(sensor: Sensor) -> tuple[float, float, float, float]:
    """Return the standard deviations of gain, offset and one reading, and the step of the converter."""
    if isinstance(sensor, MonitorSensor):
        return 0.0005, 0.002, 0.0007, 0.00125
    if isinstance(sensor, ShuntSensor):
        per_ohm = 1e-6 / sensor.shunt_ohm
        return 0.003, 4 * per_ohm, 1.5 * per_ohm, 2.5 * per_ohm
    if isinstance(sensor, DividerSensor):
        code = sensor.full_scale_v / _CODES
        return 0.006, code, 0.5 * code, code
    if isinstance(sensor, LinearSensor):
        code = sensor.full_mv / _CODES / abs(sensor.mv_per_unit)
        return 0.003, 0.5 if sensor.channel.endswith("_degc") else code, 0.5 * code, code
    return 0.0, 0.0, 0.0, 0.0  # edges are counted


def _range(sensor: Sensor) -> tuple[float, float]:
    if isinstance(sensor, MonitorSensor):
        return 0.0, 36.0
    if isinstance(sensor, ShuntSensor):
        return -1.1 * sensor.range_a, 1.1 * sensor.range_a
    if isinstance(sensor, DividerSensor):
        return 0.0, sensor.full_scale_v
    if isinstance(sensor, LinearSensor):
        ends = ((0 - sensor.zero_mv) / sensor.mv_per_unit, (sensor.full_mv - sensor.zero_mv) / sensor.mv_per_unit)
        return min(ends), max(ends)
    return IDEAL.least, IDEAL.most


def counted(sensor: Sensor | None) -> bool:
    """Whether a channel is counted from edges rather than read."""
    return isinstance(sensor, PickupSensor)
