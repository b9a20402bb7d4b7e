"""How sure an energy is: from what `plant.toml` says of the sensors to a figure over any time.

Errors of gain and offset are the same all year: over a day, a month, a season they add up as they are and do not average
out. Only the noise and the steps of single readings do. What was not measured is never filled in: an energy and its
uncertainty are those of the measured part, and the coverage says how large that part was.

An example, 60 W for a day measured with the demo's shunt:

    >>> from wheelpit.plant import demo_plant_path, load_plant
    >>> trust = Trusts(load_plant(demo_plant_path())).at(0)
    >>> day = trust.energy("charge", 1440.0, hours=24.0, mean_v=13.5)
    >>> round(day.u, 1), round((day + day).u, 1)
    (4.6, 9.2)
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from wheelpit.accounts.figure import Figure
from wheelpit.contract.names import PAIRS
from wheelpit.physics.uncertainty import chopping_share, u_of_limits
from wheelpit.plant.history import epochs, plant_at
from wheelpit.plant.precision import precision_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from wheelpit.accounts.figure import Origin
    from wheelpit.plant.description import Plant
    from wheelpit.plant.history import Epoch
    from wheelpit.plant.precision import Precision

_READINGS_PER_H: Final = 36_000.0  # a node reads ten times a second
_STEP_WH: Final = 1e-3 / math.sqrt(12.0)  # a total counts whole milliwatt hours
_INVERTER: Final = 0.5  # an inverter draws a sine squared: its variance is half the square of its mean
_PWM: Final = 1.0  # a series controller that is on for half of the time
_LEAST_V: Final = 1.0


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value with what each source adds to its uncertainty.

    `parts` holds by source the signed contribution of one standard uncertainty of that source, in the value's unit: what
    two values share of a source adds up or cancels. `noise` is what is each value's own, and averages out.
    """

    value: float
    parts: Mapping[str, float] = field(default_factory=dict)
    noise: float = 0.0

    @property
    def u(self) -> float:
        """The combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
        return math.hypot(self.noise, *self.parts.values())

    def __add__(self, other: Uncertain) -> Uncertain:
        return total((self, other))

    def __sub__(self, other: Uncertain) -> Uncertain:
        return total((self, other.times(-1.0)))

    def times(self, factor: float) -> Uncertain:
        """Return a multiple by a factor that is known exactly."""
        parts = {source: factor * part for source, part in self.parts.items()}
        return Uncertain(factor * self.value, parts, abs(factor) * self.noise)

    def plus(self, source: str, contribution: float) -> Uncertain:
        """Return the same value with one more source of uncertainty, in the value's unit."""
        return Uncertain(
            self.value, {**self.parts, source: self.parts.get(source, 0.0) + contribution}, self.noise
        )

    def over(self, other: Uncertain) -> Uncertain:
        """Return the ratio to another value, not 0; a source that both share cancels as far as it does."""
        value = self.value / other.value
        sources = {**self.parts, **other.parts}
        parts = {
            source: (self.parts.get(source, 0.0) - value * other.parts.get(source, 0.0)) / other.value
            for source in sources
        }
        return Uncertain(value, parts, math.hypot(self.noise, value * other.noise) / abs(other.value))

    def figure(self, origin: Origin = "measured", coverage: float = 1.0, note: str = "") -> Figure:
        """Return what a person sees of it."""
        return Figure(value=self.value, u=self.u, origin=origin, coverage=coverage, note=note)


def total(values: Iterable[Uncertain]) -> Uncertain:
    """Return a sum: the parts of one source add up as they are, noise in squares."""
    found, square, parts = 0.0, 0.0, dict[str, float]()
    for value in values:
        found += value.value
        square += value.noise * value.noise
        for source, part in value.parts.items():
            parts[source] = parts.get(source, 0.0) + part
    return Uncertain(found, parts, math.sqrt(square))


class _Pair(NamedTuple):
    """A pair's voltage and current: what may be off of each, the names of these errors, and how the current is chopped."""

    volts: Precision
    amps: Precision
    volts_gain: str
    volts_offset: str
    amps_gain: str
    amps_offset: str
    chopped: float


class Trust:
    """How sure the sensors are over a stretch in which the plant stayed the same.

    Args:
        today: The plant of today with its changes.
        epoch: The stretch.
    """

    def __init__(self, today: Plant, epoch: Epoch) -> None:
        self.plant = epoch.plant
        self._names = {
            sensor.channel: sensor.channel + _until(today, epoch, sensor.channel)
            for sensor in epoch.plant.sensors
        }
        self._pairs = {pair: told for pair in PAIRS if (told := self._pair(pair)) is not None}

    def _pair(self, pair: str) -> _Pair | None:
        volts, amps = (self.plant.sensor(channel) for channel in PAIRS[pair])
        if volts is None or amps is None:
            return None
        chopped = 0.0
        if pair in {"load", "battery"} and self.plant.inverter.idle_w > 0:
            chopped = _INVERTER
        elif pair == "charge" and self.plant.controller.topology == "series":
            chopped = _PWM
        return _Pair(
            precision_of(volts),
            precision_of(amps),
            self.gain(volts.channel),
            self.offset(volts.channel),
            self.gain(amps.channel),
            self.offset(amps.channel),
            chopped,
        )

    def gain(self, channel: str) -> str:
        """Return the source of a channel's error of gain, by name."""
        return f"{self._names[channel]} gain"

    def offset(self, channel: str) -> str:
        """Return the source of a channel's error of offset, by name."""
        return f"{self._names[channel]} offset"

    def knows(self, pair: str) -> bool:
        """Whether the plant describes the sensors of a pair."""
        return pair in self._pairs

    def energy(self, pair: str, energy_wh: float, *, hours: float, mean_v: float) -> Uncertain:
        """Return an energy that a node counted from a pair's voltage and current.

        Args:
            pair: A name of `contract.names.PAIRS`.
            energy_wh: The energy [Wh].
            hours: For how long both were measured [h].
            mean_v: Mean voltage in that time [V].

        Raises:
            KeyError: The plant has no sensor for one of the two; see `knows`.

        """
        told = self._pairs[pair]
        v, a = told.volts, told.amps
        charge_ah = energy_wh / mean_v if mean_v > _LEAST_V else 0.0
        mean_a = charge_ah / hours if hours > 0 else 0.0
        parts = {
            told.volts_gain: v.gain_u * energy_wh,
            told.volts_offset: v.offset_u * charge_ah,
            told.amps_gain: a.gain_u * energy_wh,
            told.amps_offset: a.offset_u * mean_v * hours,
        }
        if told.chopped and mean_v > _LEAST_V and mean_a > 0:
            share = chopping_share(self.plant.battery.resistance_ohm, mean_a, mean_v, told.chopped)
            if chopped := u_of_limits(share):
                parts[f"{pair} chopped"] = chopped * energy_wh
        readings = max(hours * _READINGS_PER_H, 1.0)
        noise_w = math.hypot(a.reading_u * mean_v, v.reading_u * charge_ah / hours if hours > 0 else 0.0)
        return Uncertain(energy_wh, parts, math.hypot(noise_w * hours / math.sqrt(readings), _STEP_WH))

    def channel(self, channel: str, value: float, *, hours: float = 1.0) -> Uncertain:
        """Return a channel's mean over some time, in its unit; one that is counted is exact."""
        sensor = self.plant.sensor(channel)
        if sensor is None:
            raise KeyError(channel)
        told = precision_of(sensor)
        parts = {self.gain(channel): told.gain_u * value, self.offset(channel): told.offset_u}
        noise = told.reading_u / math.sqrt(max(hours * _READINGS_PER_H, 1.0))
        return Uncertain(value, {name: part for name, part in parts.items() if part}, noise)


def _until(today: Plant, epoch: Epoch, channel: str) -> str:
    """Return what tells a sensor that was changed later from the one of today: its errors are not the same."""
    here = epoch.plant.sensor(channel)
    for change in today.changes:
        if epoch.end_ms is None or change.at_ms < epoch.end_ms:
            continue
        if plant_at(today, change.at_ms).sensor(channel) != here:
            at = dt.datetime.fromtimestamp(change.at_ms / 1000, ZoneInfo(today.site.time_zone))
            return f" (until {at:%Y-%m-%d})"
    return ""


class Trusts:
    """How sure the sensors were at any time, by the plant's history.

    Args:
        plant: The plant of today with its changes.
    """

    def __init__(self, plant: Plant) -> None:
        stretches = epochs(plant)
        self._starts = [stretch.start_ms for stretch in stretches if stretch.start_ms is not None]
        self._trusts = [Trust(plant, stretch) for stretch in stretches]
        self._changes = plant.changes

    def at(self, at_ms: int) -> Trust:
        """Return how sure they were at a time [Unix ms]."""
        return self._trusts[bisect_right(self._starts, at_ms)]

    def places(self, at_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return in which stretch of the plant's history times lie [Unix ms], by number from the oldest on."""
        return np.searchsorted(np.array(self._starts, np.int64), at_ms, "right")

    def __getitem__(self, number: int) -> Trust:
        """Return how sure they were in a stretch, by its number."""
        return self._trusts[number]

    def of(self, at_ms: NDArray[np.int64]) -> list[Trust]:
        """Return how sure they were at each of some times [Unix ms]."""
        return [self._trusts[number] for number in self.places(at_ms).tolist()]

    def changed(self, from_ms: int, to_ms: int) -> tuple[str, ...]:
        """Return what was changed from `from_ms` on and before `to_ms`, in words."""
        return tuple(change.what for change in self._changes if from_ms <= change.at_ms < to_ms)
