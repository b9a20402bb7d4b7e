"""From the truth to a node's records: what its sensors show, the statistics of each channel, the totals since boot.

A record has the same numbers as one that a node cuts: means, least and most in the node's whole steps, exact totals that
only rise, the wheel's state by the same rules. What lies within a record (ripple, noise, the lope of the wheel) is drawn,
not simulated: the extremes of a hundred readings.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from wheelpit.contract.names import PAIRS
from wheelpit.errors import WheelpitError
from wheelpit.plant.description import DividerSensor, LinearSensor, PickupSensor
from wheelpit.plant.limits import limits_of
from wheelpit.plant.wiring import steps_per_unit
from wheelpit.twin.condition import SOUND
from wheelpit.twin.fast.columns import chance, switched
from wheelpit.twin.fast.course import CHANNELS
from wheelpit.twin.fast.records import FAULTS, STATES, RecordColumns, totals_of
from wheelpit.twin.sensing import IDEAL, instruments_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.random import Generator
    from numpy.typing import NDArray

    from wheelpit.plant import Plant
    from wheelpit.twin.condition import Spoilt
    from wheelpit.twin.fast.columns import Flags, Floats
    from wheelpit.twin.fast.course import Course
    from wheelpit.twin.fast.orders import Outage
    from wheelpit.twin.sensing import Instrument

_READINGS_PER_S: Final = 10
# The most of a hundred draws of a normal distribution is so many deviations out on average, and varies by so much.
_EXTREME: Final = 2.51
_EXTREME_U: Final = 0.43
_LOPE: Final = 0.004  # share by which a wheel's speed swings within a turn
_J_PER_MWH: Final = 3.6
_MINUTE_S: Final = 60


class RecordLengthError(WheelpitError):
    """A length of records that does not divide a minute."""

    def __init__(self, node: str, record_s: int) -> None:
        super().__init__(
            f"node {node}, record_s = {record_s}: the fast twin's records divide a minute; give 5, 6, 10, 12, 15, 20, 30 or 60"
        )


class _Shown(NamedTuple):
    """One channel as its sensor shows it: value before rounding, noise of one reading, why it cannot be read."""

    value: Floats
    noise: float
    fault: NDArray[np.int8]


class Recorder:
    """The records of one node.

    Args:
        plant: The plant as its owner describes it.
        node: The node's id.
        seed: Seed of the sensors' errors and of their noise.
        first_day: The day at whose midnight (UTC) the twin's time begins.
        outages: When the node had no supply; each begins a new boot.
        worse: The sensors' errors as a multiple of the usual ones.

    Raises:
        RecordLengthError: The node's records do not divide a minute.
    """

    def __init__(
        self,
        plant: Plant,
        node: str,
        *,
        seed: int,
        first_day: dt.date,
        outages: Iterable[Outage] = (),
        worse: float = 1.0,
    ) -> None:
        told = plant.node(node)
        if _MINUTE_S % told.record_s:
            raise RecordLengthError(node, told.record_s)
        self.record_s = told.record_s
        self.channels = tuple(
            name for name in CHANNELS if (sensor := plant.sensor(name)) is not None and sensor.node == node
        )
        self.totals = totals_of(self.channels)
        self._plant = plant
        self._seed = seed
        midnight = dt.datetime.combine(first_day, dt.time(), dt.UTC)
        self._first_ms = round(midnight.timestamp() * 1000)
        self._outages = sorted(outages)
        self._instruments = instruments_of(plant, seed, worse=worse)
        self._limits = limits_of(plant)
        pickup = plant.sensor("wheel_rpm")
        self._magnets = pickup.magnets if isinstance(pickup, PickupSensor) else 0
        self._parks = told.parked_pin is not None
        self._boot = 1
        self._ready = False
        self._begin()

    def _begin(self) -> None:
        """Begin a boot."""
        self._n = 0
        self._counted: dict[str, float] = dict.fromkeys((*self.totals, "turns"), 0.0)
        self._turning = False
        self._charging = False
        self._held: dict[str, float] = {}

    def record(self, course: Course) -> Iterator[RecordColumns]:
        """Yield the records of a course, boot by boot; courses come one after the other, in steps of a record."""
        rng = chance(self._seed, "records", round(course.from_s))
        for part in self._powered(course):
            yield self._records(course, part, rng)

    def _powered(self, course: Course) -> Iterator[slice]:
        """Yield the parts in which the node has its supply."""
        begin = 0
        for outage in self._outages:
            off, on = course.place(outage.from_s), course.place(outage.to_s)
            if off == on:
                continue
            if off > begin:
                yield slice(begin, off)
            if on < course.size or outage.to_s <= course.from_s + course.size * course.step_s:
                self._boot += 1
                self._begin()
            begin = on
        if begin < course.size:
            yield slice(begin, course.size)

    def _records(self, course: Course, part: slice, rng: Generator) -> RecordColumns:
        count = part.stop - part.start
        span_ms = round(1000 * course.step_s)
        shown = {name: self._show(name, course, part) for name in self.channels}
        state = self._state(course, part, shown)
        ends = np.arange(1, count + 1, dtype=np.int64)
        mean, least, most = {}, {}, {}
        for name, one in shown.items():
            mean[name], least[name], most[name] = self._statistics(name, one, course.step_s, rng)
        first_n = self._n + 1
        found = RecordColumns(
            boot=self._boot,
            first_n=first_n,
            span_ms=span_ms,
            end_ms=self._first_ms + round(1000 * course.from_s) + (part.start + ends) * span_ms,
            up_ms=(self._n + ends) * span_ms,
            state=state,
            mean=mean,
            least=least,
            most=most,
            fault={name: one.fault for name, one in shown.items() if one.fault.any()},
            total=self._totals(shown, state, course.step_s, course.channels["wheel_rpm"][part]),
            true={name: course.channels[name][part] for name in self.channels},
            truth={name: column[part] for name, column in course.truth.items()},
            present=list(_present(course, part)),
        )
        self._n += count
        return found

    # What the sensors show.

    def _show(self, name: str, course: Course, part: slice) -> _Shown:
        true = course.channels[name][part]
        if name == "wheel_rpm":
            return self._show_speed(true, course, part)
        instrument = self._instruments.get(name, IDEAL)  # counted pulses have no error of their own
        value = instrument.gain * true + instrument.offset
        noise = instrument.noise
        fault = np.zeros(true.size, np.int8)
        for place, spoilt in _spoilt(name, course, part):
            noise = max(noise, math.hypot(noise, spoilt.noise * (instrument.most - instrument.least) / 2))
            value[place], fault[place] = self._spoil(name, value[place], spoilt)
        over = ~((value > instrument.least) & (value < instrument.most)) & (fault == 0)
        if over.any():
            self._rail(name, value, fault, over, instrument)
        return _Shown(value, noise, fault)

    def _show_speed(self, true: Floats, course: Course, part: slice) -> _Shown:
        """Return the speed by the pickup: a dead one gives no edges, as a wheel that stands."""
        value = true.copy()
        for place, spoilt in _spoilt("wheel_rpm", course, part):
            if spoilt.mode == "dead":
                value[place] = 0.0
        return _Shown(value, 0.0, np.zeros(true.size, np.int8))

    def _spoil(self, name: str, value: Floats, spoilt: Spoilt) -> tuple[Floats, int]:
        """Return what a spoilt sensor shows, and the fault that its node tells with it."""
        if spoilt.mode == "stuck":
            return np.full(value.size, self._held.setdefault(name, float(value[0]))), 0
        self._held.pop(name, None)
        if spoilt.mode == "railed":
            return np.full(value.size, math.nan), _code("railed")
        if spoilt.mode == "dead":
            sensor = self._plant.sensor(name)
            if isinstance(sensor, DividerSensor):
                return np.zeros(value.size), 0  # an open divider reads nothing
            lifted = isinstance(sensor, LinearSensor)
            return np.full(value.size, math.nan), _code("railed" if lifted else "bus")
        return spoilt.gain * value, 0

    def _rail(
        self, name: str, value: Floats, fault: NDArray[np.int8], over: Flags, instrument: Instrument
    ) -> None:
        """Take what lies beyond the ends of a sensor's scale for what its node makes of it, in place."""
        dead_end = over & (value >= instrument.most)
        if isinstance(self._plant.sensor(name), LinearSensor):
            dead_end = over
        np.clip(value, instrument.least, instrument.most, out=value)
        value[dead_end] = math.nan
        fault[dead_end] = _code("railed")

    def _state(self, course: Course, part: slice, shown: dict[str, _Shown]) -> NDArray[np.int8]:
        """Return the wheel's state as the node tells it, as a place in `STATES`."""
        if "wheel_rpm" not in shown:
            return np.zeros(part.stop - part.start, np.int8)
        rpm, limits = shown["wheel_rpm"].value, self._limits
        turning = switched(rpm >= limits.cutin_rpm, rpm < limits.slow_rpm, at_first=self._turning)
        self._turning = bool(turning[-1])
        state = np.where(turning, STATES.index("turning"), STATES.index("slow")).astype(np.int8)
        state[rpm <= 0] = STATES.index("stopped")
        if self._parks:
            for stretch in course.stretches:
                if stretch.parked:
                    state[_within(course.part(stretch), part)] = STATES.index("parked")
        return state

    # Statistics and totals.

    def _statistics(
        self, name: str, shown: _Shown, step_s: float, rng: Generator
    ) -> tuple[Floats, Floats, Floats]:
        """Return mean, least and most of each record, in whole steps of the node."""
        value, noise = shown.value, shown.noise
        per_unit = steps_per_unit(name)
        drawn = rng.standard_normal((3, value.size), dtype=np.float32)
        # Between neighbours a value moves half-way within its record.
        moved = 0.25 * np.abs(np.diff(value, prepend=value[:1]) + np.diff(value, append=value[-1:]))
        swing = _LOPE * value if name == "wheel_rpm" else 0.0
        noise_of_mean = noise / math.sqrt(_READINGS_PER_S * step_s)
        mean = value + noise_of_mean * drawn[0]
        code = self._instruments.get(name, IDEAL).code or 1 / per_unit
        least = value - moved - swing - noise * (_EXTREME + _EXTREME_U * drawn[1])
        most = value + moved + swing + noise * (_EXTREME + _EXTREME_U * drawn[2])
        # Plus zero: no reading is a negative zero.
        mean = np.rint(mean * per_unit) / per_unit + 0.0
        least = np.rint(np.rint(least / code) * code * per_unit) / per_unit + 0.0
        most = np.rint(np.rint(most / code) * code * per_unit) / per_unit + 0.0
        return mean, np.minimum(least, mean), np.maximum(most, mean)

    def _totals(
        self, shown: dict[str, _Shown], state: NDArray[np.int8], step_s: float, true_rpm: Floats
    ) -> dict[str, NDArray[np.int64]]:
        """Return the totals since boot at the end of each record; what is below one unit is carried on."""
        gained: dict[str, Floats] = {}
        step_ms = 1000 * step_s
        if "wheel_rpm" in shown:
            gained.update(self._wheel_gains(shown["wheel_rpm"].value, state, step_s))
        for pair, (volts, amps) in PAIRS.items():
            if f"{pair}_valid_ms" in self.totals:
                watts = shown[volts].value * shown[amps].value
                gained[f"{pair}_valid_ms"] = step_ms * ~np.isnan(watts)
                gained.update(_ways(pair, np.nan_to_num(watts) * (step_s / _J_PER_MWH)))
        if "battery_a" in shown:
            mas = np.nan_to_num(shown["battery_a"].value) * step_ms
            gained["battery_in_mas"], gained["battery_out_mas"] = np.maximum(mas, 0), np.maximum(-mas, 0)
        if "charge_a" in shown:
            gained.update(self._charge_gains(shown["charge_a"].value, state, step_ms, true_rpm))
        found: dict[str, NDArray[np.int64]] = {}
        for name in self.totals:
            if name in ("wheel_edges", "wheel_rejected", "wheel_mrev"):
                continue
            summed = np.cumsum(gained[name]) + self._counted[name]
            self._counted[name] = float(summed[-1])
            found[name] = np.floor(summed).astype(np.int64)
        if "wheel_rpm" in shown:
            turns = np.cumsum(shown["wheel_rpm"].value) * (step_s / _MINUTE_S) + self._counted["turns"]
            self._counted["turns"] = float(turns[-1])
            edges = np.floor(turns * self._magnets).astype(np.int64)
            found["wheel_edges"], found["wheel_rejected"] = edges, np.zeros_like(edges)
            found["wheel_mrev"] = edges * 1000 // self._magnets
        return {name: found[name] for name in self.totals}

    def _wheel_gains(self, rpm: Floats, state: NDArray[np.int8], step_s: float) -> dict[str, Floats]:
        step_ms = 1000 * step_s
        turning = (state == STATES.index("turning")) | (state == STATES.index("slow"))
        return {
            "wheel_valid_ms": np.full(rpm.size, step_ms),
            "turning_ms": step_ms * turning,
            "stopped_ms": step_ms * (state == STATES.index("stopped")),
            "parked_ms": step_ms * (state == STATES.index("parked")),
            "above_cutin_ms": step_ms * (turning & (rpm >= self._limits.cutin_rpm)),
        }

    def _charge_gains(
        self, amps: Floats, state: NDArray[np.int8], step_ms: float, rpm: Floats
    ) -> dict[str, Floats]:
        limits = self._limits
        before = self._charging
        # From the limit on until below half of it.
        charging = switched(amps >= limits.charging_a, 2 * amps < limits.charging_a, at_first=before)
        self._charging = bool(charging[-1])
        ended = np.diff(charging, prepend=before) & ~charging
        flips = ended & (state != STATES.index("parked")) & (rpm >= limits.cutout_rpm)
        return {
            "charging_ms": step_ms * charging,
            "charge_flips": flips.astype(np.float64),
            "charge_mas": np.maximum(np.nan_to_num(amps), 0) * step_ms,
        }


def _ways(pair: str, mwh: Floats) -> dict[str, Floats]:
    """Return the energy of a pair by the way it flows; a way that is not counted is left out."""
    forth = np.maximum(mwh, 0)
    if pair == "charge":
        return {"charge_mwh": forth, "charge_back_mwh": np.maximum(-mwh, 0)}
    if pair == "battery":
        return {"battery_in_mwh": forth, "battery_out_mwh": np.maximum(-mwh, 0)}
    return {f"{pair}_mwh": forth}


def _code(fault: str) -> int:
    return 1 + FAULTS.index(fault)


def _within(place: slice, part: slice) -> slice:
    """Return a place of a course as one of a part of it."""
    begin = min(max(place.start, part.start), part.stop)
    return slice(begin - part.start, min(max(place.stop, begin), part.stop) - part.start)


def _spoilt(name: str, course: Course, part: slice) -> Iterator[tuple[slice, Spoilt]]:
    for stretch in course.stretches:
        spoilt = stretch.condition.sensors.get(name, SOUND)
        place = _within(course.part(stretch), part)
        if spoilt != SOUND and place.stop > place.start:
            yield place, spoilt


def _present(course: Course, part: slice) -> Iterator[tuple[slice, dict[str, float]]]:
    for stretch in course.stretches:
        place = _within(course.part(stretch), part)
        if stretch.present and place.stop > place.start:
            yield place, stretch.present
