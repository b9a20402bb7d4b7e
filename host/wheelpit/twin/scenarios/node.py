"""A model of the node: from what its sensors are shown to the live messages and records that it sends.

It keeps the firmware's rules of speed, state, totals and cutting, in plain numbers and without its hardware; the tests
hold it against the firmware. It exists so that hours of a plant pass in seconds, before the real watch.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.contract.messages import Live, Record
from wheelpit.contract.names import PAIRS, SEQ_PER_BOOT, WheelState
from wheelpit.plant.description import DividerSensor, LinearSensor, PickupSensor
from wheelpit.plant.limits import limits_of
from wheelpit.plant.wiring import fastest_rpm, steps_per_unit
from wheelpit.twin.fast.records import totals_of
from wheelpit.twin.scenarios.pickup import MeasuredWheel
from wheelpit.twin.sensing import IDEAL, instruments_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from wheelpit.plant import Plant
    from wheelpit.plant.description import Sensor
    from wheelpit.twin.sensing import Instrument

_MWH_PER_J: Final = 1 / 3.6
_SHORTEST_MS: Final = 1000  # record that a change of state cuts early
_EARLY_PER_HOUR: Final = 60
_HOUR_MS: Final = 3_600_000
_LIVE_MS: Final = 1000
_US_PER_MS: Final = 1000
_MRPM: Final = 1000
_WAYS: Final = {
    "charge": ("charge_mwh", "charge_back_mwh"),
    "battery": ("battery_in_mwh", "battery_out_mwh"),
}


class Said(NamedTuple):
    """What the node says at the end of a frame."""

    live: Live | None
    record: Record | None


class _Spread:
    """Mean, least and most of one channel since the last cut."""

    __slots__ = ("least", "most", "seconds", "summed")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.summed = self.seconds = 0.0
        self.least = math.inf
        self.most = -math.inf

    def add(self, value: float, seconds: float) -> None:
        self.summed += value * seconds
        self.seconds += seconds
        self.least = min(self.least, value)
        self.most = max(self.most, value)


class NodeModel:
    """One boot of one node.

    Args:
        plant: The plant as its owner describes it.
        node: The node's id.
        journal: Id of its store.
        boot: Number of the boot.
        start_ms: When it booted [Unix ms].
        has_clock: Whether it gets the time from the host.
    """

    def __init__(
        self, plant: Plant, node: str, *, journal: str, start_ms: int, boot: int = 1, has_clock: bool = True
    ) -> None:
        self.channels = tuple(sensor.channel for sensor in plant.sensors if sensor.node == node)
        self._sensors: dict[str, Sensor] = {s.channel: s for s in plant.sensors if s.node == node}
        self._instruments = instruments_of(plant, 0, worse=0.0)
        self._steps = {channel: steps_per_unit(channel) for channel in self.channels}
        self._limits = limits_of(plant)
        self._record_ms = plant.node(node).record_s * 1000
        self._journal = journal
        self._boot = boot
        self._start_ms = start_ms
        self._has_clock = has_clock
        pickup = self._sensors.get("wheel_rpm")
        self._wheel = (
            MeasuredWheel(pickup.magnets, fastest_rpm(plant)) if isinstance(pickup, PickupSensor) else None
        )
        self._state: WheelState = "unknown"
        self._cut_state: WheelState = "unknown"
        self._charging = False
        self._totals: dict[str, float] = dict.fromkeys(totals_of(self.channels), 0.0)
        self._spreads = {channel: _Spread() for channel in self.channels}
        self._values: dict[str, float | None] = {}
        self._faults: dict[str, str] = {}
        self._up_us = 0
        self._n = 0
        self._cut_ms = 0
        self._early = 0
        self._hour_ms = 0

    @property
    def _up_ms(self) -> int:
        return self._up_us // _US_PER_MS

    def frame(
        self,
        span_us: int,
        edges_us: Sequence[int],
        shown: Mapping[str, float | None],
        *,
        parked: bool = False,
    ) -> Said:
        """Take a frame of what the sensors show.

        Args:
            span_us: How long it lasted, at most ten seconds [us].
            edges_us: When magnets passed, from its beginning [us].
            shown: Per channel the mean that its sensor shows; None where one gives nothing.
            parked: Whether the switch at the wheel says so.
        """
        begin_us = self._up_us
        self._up_us += span_us
        seconds = span_us / 1e6
        self._read(shown)
        if self._wheel is not None:
            self._wheel.update([begin_us + at_us for at_us in edges_us], self._up_us)
            rpm = self._wheel.rpm
            self._values["wheel_rpm"] = None if rpm is None else round(rpm * _MRPM) / _MRPM
            self._faults.pop("wheel_rpm", None)
        self._state = self._state_now(parked=parked)
        self._tally(seconds)
        for channel, value in self._values.items():
            if value is not None:
                self._spreads[channel].add(value, seconds)
        record = self._cut() if self._due(span_us) else None
        live = self._live() if self._up_us // (_LIVE_MS * 1000) > begin_us // (_LIVE_MS * 1000) else None
        return Said(live, record)

    def _read(self, shown: Mapping[str, float | None]) -> None:
        self._faults = {}
        for channel, sensor in self._sensors.items():
            value, fault = _read(sensor, shown.get(channel), self._instruments.get(channel, IDEAL))
            if value is not None:
                steps = self._steps[channel]
                value = round(value * steps) / steps
            self._values[channel] = value
            if fault:
                self._faults[channel] = fault

    def _state_now(self, *, parked: bool) -> WheelState:
        wheel = self._wheel
        if parked:
            return "parked"
        if wheel is None or wheel.rpm is None:
            return "unknown"
        if wheel.standing:
            return "stopped"
        # From slow or stopped only the cut-in speed counts as turning again.
        slow = self._state in ("slow", "stopped")
        return (
            "turning" if wheel.rpm >= (self._limits.cutin_rpm if slow else self._limits.slow_rpm) else "slow"
        )

    def _tally(self, seconds: float) -> None:
        totals, values, state = self._totals, self._values, self._state
        ms = 1000 * seconds
        rpm = values.get("wheel_rpm")
        if self._wheel is not None:
            totals["wheel_edges"], totals["wheel_rejected"] = self._wheel.edges, self._wheel.rejected
            totals["wheel_mrev"] = self._wheel.edges * 1000 / self._wheel.magnets
            totals["wheel_valid_ms"] += ms if rpm is not None else 0
            if state in ("turning", "slow"):
                totals["turning_ms"] += ms
                totals["above_cutin_ms"] += ms if rpm is not None and rpm >= self._limits.cutin_rpm else 0
            elif state in ("stopped", "parked"):
                totals[f"{state}_ms"] += ms
        for pair, (volts, amps) in PAIRS.items():
            v, a = values.get(volts), values.get(amps)
            if f"{pair}_valid_ms" not in totals or v is None or a is None:
                continue
            totals[f"{pair}_valid_ms"] += ms
            forth, *back = _WAYS.get(pair, (f"{pair}_mwh",))
            mwh = v * a * seconds * _MWH_PER_J
            if mwh >= 0:
                totals[forth] += mwh
            elif back:
                totals[back[0]] -= mwh
        amps_in = values.get("battery_a")
        if amps_in is not None:
            totals["battery_in_mas" if amps_in > 0 else "battery_out_mas"] += abs(amps_in) * ms
        charge_a = values.get("charge_a")
        if charge_a is not None:
            self._tally_charge(charge_a, rpm, ms)

    def _tally_charge(self, charge_a: float, rpm: float | None, ms: float) -> None:
        totals, limits = self._totals, self._limits
        totals["charge_mas"] += max(charge_a, 0.0) * ms
        if charge_a >= limits.charging_a:
            self._charging = True
        elif 2 * charge_a < limits.charging_a:
            if self._charging and self._state != "parked" and rpm is not None and rpm >= limits.cutout_rpm:
                totals["charge_flips"] += 1
            self._charging = False
        if self._charging:
            totals["charging_ms"] += ms

    def _due(self, span_us: int) -> bool:
        """Whether a record ends with this frame: on the grid of Unix time, or early where the state changed."""
        since_ms = self._up_ms - self._cut_ms
        self._hour_ms += span_us // _US_PER_MS
        if self._hour_ms >= _HOUR_MS:
            self._hour_ms = self._early = 0
        if since_ms < _SHORTEST_MS:
            return False
        place_ms = (self._start_ms + self._up_ms if self._has_clock else self._up_ms) % self._record_ms
        if place_ms < span_us // _US_PER_MS:
            return True
        changed = self._state != self._cut_state and self._record_ms - place_ms >= _SHORTEST_MS
        if changed and self._early < _EARLY_PER_HOUR:
            self._early += 1
            return True
        return False

    def _cut(self) -> Record:
        self._n += 1
        seq = self._boot * SEQ_PER_BOOT + self._n
        up_ms, span_ms = self._up_ms, self._up_ms - self._cut_ms
        spreads = {name: spread for name, spread in self._spreads.items() if spread.seconds}
        record = Record(
            seq=seq,
            first=seq,
            up_ms=up_ms,
            dur_ms=span_ms,
            span_ms=span_ms,
            end_ms=self._start_ms + up_ms if self._has_clock else None,
            clock="host" if self._has_clock else "none",
            state=self._state,
            mean={
                c: self._rounded(c, spreads[c].summed / spreads[c].seconds) if c in spreads else None
                for c in self.channels
            },
            min={c: spreads[c].least if c in spreads else None for c in self.channels},
            max={c: spreads[c].most if c in spreads else None for c in self.channels},
            total={name: int(value) for name, value in self._totals.items()},
            faults={c: code for c, code in self._faults.items() if c not in spreads},
        )
        self._cut_ms, self._cut_state = up_ms, self._state
        for spread in self._spreads.values():
            spread.clear()
        return record

    def _rounded(self, channel: str, value: float) -> float:
        steps = self._steps[channel]
        return round(value * steps) / steps

    def _live(self) -> Live:
        wheel, up_ms = self._wheel, self._up_ms
        age_us = wheel.edge_age_us(self._up_us) if wheel is not None else None
        gap_us = wheel.edge_gap_us if wheel is not None else None
        return Live(
            journal=self._journal,
            boot=self._boot,
            up_ms=up_ms,
            at_ms=self._start_ms + up_ms if self._has_clock else None,
            clock="host" if self._has_clock else "none",
            state=self._state,
            edge_age_ms=None if age_us is None else age_us // _US_PER_MS,
            edge_gap_ms=None if gap_us is None else gap_us // _US_PER_MS,
            values=dict(self._values),
            faults=dict(self._faults),
        )


def _read(sensor: Sensor, shown: float | None, instrument: Instrument) -> tuple[float | None, str | None]:
    """Return what the node makes of what a sensor shows: a value, or None and why."""
    if isinstance(sensor, PickupSensor):
        return None, None
    lifted = isinstance(sensor, LinearSensor)
    if shown is None:
        if isinstance(sensor, DividerSensor):
            return 0.0, None  # an open divider reads nothing
        return None, "railed" if lifted else "bus"
    if shown >= instrument.most or (lifted and shown <= instrument.least):
        return None, "railed"
    return shown, None
