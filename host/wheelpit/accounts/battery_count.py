"""Counts the charge in a battery, and how unsure the count has become.

Voltage alone tells little, so the count goes from one sure point to the next: seen full, a hydrometer's reading, a real
rest. Between them every error grows as it really does: that of the efficiency with the charge put in, that of the
capacity with the depth, that of the shunt's zero with time, and time that was not measured with what may have flowed.
Efficiency is learned from one full to the next, when what went in has given what came out; what is put in above the
gassing voltage counts for less. Capacity is learned where the bank went from full to empty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.battery_rows import MS_PER_H, Course
from wheelpit.physics.battery import charge_voltage, flooded_charge_from_rest, lfp_cells, lfp_charge_from_rest
from wheelpit.plant.precision import EXACT, precision_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.battery_rows import BatteryRows, Beliefs, Fix
    from wheelpit.plant.description import Plant

REST_H: Final = 4.0
REST_RATE: Final = 100.0  # at rest: less than the capacity over so many hours in or out

_FULL_MARGIN_V: Final = 0.15  # of a 12 V bank, below the controller's set voltage: meter and cable
_FULL_UNTOLD_V: Final = (
    0.25  # the same where the battery's temperature, by which the controller shifts it, is not known
)
_HELD_H: Final = 1.0  # absorption for so long, the last half of it at the tail ...
_TAIL_H: Final = 0.5
_TAIL_RATE: Final = 75.0  # ... which is the capacity over so many hours
_FLOATED_H: Final = 8.0  # or float for so long at rest
_FULL_U: Final = 0.025
_REST_U: Final = 0.12  # of a rest voltage: tables of the trade differ by as much
_REST_LEAST_U: Final = 0.09  # however many rests: it is the same table each time
_REST_AGAIN_H: Final = 24.0
# While nothing is measured the usual current may have flowed all one way, or the capacity over so many hours.
_GAP_FLOOR_RATE: Final = 60.0
_LEAST_DEPTH: Final = 0.10  # a cycle that tells the efficiency is as deep as this
_LEAST_WAY: Final = 0.4  # from full to empty, on balance; through more than that went in and out
_DARK_SHARE: Final = 0.02  # of a cycle may have gone unmeasured
_JUMP: Final = 4.0
_LEARNED_LEAST_U: Final = 0.02
_LEARNED_DRIFT: Final = 0.003  # cells age from one cycle to the next
_EMPTY_V: Final = 11.0  # of a 12 V lead-acid bank under no more than its 20 hour current: it is empty
_EMPTY_CELL_V: Final = 2.8  # of a LiFePO4 cell
_EMPTY_SHARE: Final = 0.0
_EMPTY_U: Final = 0.05
_EMPTY_H: Final = 0.15
_RATED_H: Final = 20.0
_CAPACITY_LEAST_U: Final = 0.03
_GASSING_V: Final = 14.1  # of a 12 V lead-acid bank at 25 °C, 2.35 V a cell; common practice, no source
_LONG_HELD_H: Final = 2.0  # absorption for so long, where no current tells: a guess at full
_DOUBLES_DEGC: Final = 10.0
_REFERENCE_DEGC: Final = 25.0


class _Held:
    """How long something has held without a break [h]."""

    def __init__(self) -> None:
        self.hours = 0.0

    def take(self, holds: bool, hours: float) -> float:  # noqa: FBT001 - the one thing it is told
        self.hours = self.hours + hours if holds else 0.0
        return self.hours


@dataclass(slots=True)
class _Flow:
    """What has passed since some moment: charge in below and above the gassing voltage, and out [Ah]; hours, lost share."""

    bulk_ah: float = 0.0
    gassed_ah: float = 0.0
    out_ah: float = 0.0
    hours: float = 0.0
    dark_h: float = 0.0
    lost: float = 0.0

    def add(self, other: _Flow) -> None:
        self.bulk_ah += other.bulk_ah
        self.gassed_ah += other.gassed_ah
        self.out_ah += other.out_ah
        self.hours += other.hours
        self.dark_h += other.dark_h
        self.lost += other.lost


@dataclass(slots=True)
class Counter:
    """Counts one bank's charge from row to row.

    Args:
        plant: The plant.
        beliefs: What is believed of its bank.

    """

    plant: Plant
    beliefs: Beliefs
    share: float = math.nan
    efficiency: float = field(init=False)
    efficiency_u: float = field(init=False)
    capacity_ah: float = field(init=False)
    capacity_u: float = field(init=False)
    _gain_u: float = field(init=False)
    _offset_a: float = field(init=False)
    # The newest sure point and its u, what has flowed since, and what may have while nothing was measured [share].
    _begun: float = math.nan
    _begun_u: float = math.nan
    _since: _Flow = field(default_factory=_Flow)
    _gap: float = 0.0
    _cycle: _Flow | None = None  # since it was last full
    _usual_a: float = math.nan
    _absorbing: _Held = field(default_factory=_Held)
    _tailing: _Held = field(default_factory=_Held)
    _floating: _Held = field(default_factory=_Held)
    _emptied: _Held = field(default_factory=_Held)
    _resting: _Held = field(default_factory=_Held)
    _since_rest_h: float = math.inf

    def __post_init__(self) -> None:
        self.efficiency, self.efficiency_u = self.beliefs.efficiency, self.beliefs.efficiency_u
        self.capacity_ah, self.capacity_u = self.beliefs.capacity_ah, self.beliefs.capacity_u
        sensor = self.plant.sensor("battery_a")
        told = EXACT if sensor is None else precision_of(sensor)
        self._gain_u, self._offset_a = told.gain_u, told.offset_u

    @property
    def u(self) -> float:
        """Standard uncertainty of the share now."""
        told, since, capacity = self.beliefs, self._since, self.capacity_ah
        return math.hypot(
            self._begun_u,
            (self.share - self._begun) * self.capacity_u,
            since.bulk_ah * self.efficiency_u / capacity,
            since.gassed_ah * told.gassing_u / capacity,
            self._net_ah(since) * self._gain_u / capacity,
            since.hours * self._offset_a / capacity,
            since.lost * told.self_u,
            self._gap,
        )

    def _net_ah(self, flow: _Flow) -> float:
        return flow.bulk_ah * self.efficiency + flow.gassed_ah * self.beliefs.gassing - flow.out_ah

    def count(self, rows: BatteryRows, fixes: Sequence[Fix] = ()) -> Course:
        """Go through a history and return the state of charge along it.

        Args:
            rows: The history.
            fixes: Sure points from outside, in order of time.

        """
        found = Course(np.full(rows.size, np.nan), np.full(rows.size, np.nan), np.zeros(rows.size, np.int64))
        waiting = list(fixes)
        before_end: int | None = None
        full_before = False
        sure_ms = 0
        columns = (
            rows.start_ms.tolist(), rows.end_ms.tolist(), rows.volts.tolist(), rows.in_ah.tolist(), rows.out_ah.tolist(),
            rows.valid_ms.tolist(), rows.degc.tolist(),
        )  # fmt: skip
        for place, (start, end, volts, in_ah, out_ah, valid_ms, degc) in enumerate(
            zip(*columns, strict=True)
        ):
            dark_ms = end - start - valid_ms + (0 if before_end is None else max(start - before_end, 0))
            before_end = end
            hours = valid_ms / MS_PER_H
            self._pass(volts, in_ah, out_ah, hours, max(dark_ms, 0) / MS_PER_H, degc)
            while waiting and waiting[0].at_ms <= end:
                fix = waiting.pop(0)
                self._combine(fix.share, fix.u)
                found.anchor_ms = sure_ms = fix.at_ms
            full = self._full(volts, in_ah - out_ah, hours, degc)
            if full:
                if not full_before:
                    found.fulls.append(end)
                    found.cycles_learned += self._learn()
                self._anchor(1.0, _FULL_U)
                self._cycle = _Flow()
                found.anchor_ms = found.last_full_ms = sure_ms = end
            elif self._empty(volts, in_ah - out_ah, hours):
                found.capacities_learned += self._learn_capacity()
                self._anchor(_EMPTY_SHARE, _EMPTY_U)
                found.anchor_ms = end
            elif self._rested(volts, in_ah, out_ah, hours):
                found.rests.append(end)
                if self._take_rest(volts):
                    found.anchor_ms = end
            full_before = full
            found.sure_ms[place] = sure_ms
            if not math.isnan(self.share):
                found.share[place], found.u[place] = self.share, self.u
        found.efficiency, found.efficiency_u = self.efficiency, self.efficiency_u
        found.capacity_ah, found.capacity_u = self.capacity_ah, self.capacity_u
        return found

    def _pass(  # noqa: PLR0917 - the columns of a row
        self, volts: float, in_ah: float, out_ah: float, hours: float, dark_h: float, degc: float
    ) -> None:
        """Take what flowed in a row."""
        if hours > 0:
            now_a = (in_ah + out_ah) / hours
            weight = min(hours / 24.0, 1.0)
            self._usual_a = (
                now_a if math.isnan(self._usual_a) else self._usual_a + weight * (now_a - self._usual_a)
            )
        warmth = 1.0 if math.isnan(degc) else math.exp2((degc - _REFERENCE_DEGC) / _DOUBLES_DEGC)
        flow = _Flow(
            out_ah=out_ah,
            hours=hours,
            dark_h=dark_h,
            lost=self.beliefs.self_per_day * warmth * (hours + dark_h) / 24.0,
        )
        if self._gasses(volts, degc):
            flow.gassed_ah = in_ah
        else:
            flow.bulk_ah = in_ah
        if self._cycle is not None:
            self._cycle.add(flow)
        if math.isnan(self.share):
            return
        self._since.add(flow)
        if dark_h > 0:
            floor_a = self.capacity_ah / _GAP_FLOOR_RATE
            usual_a = floor_a if math.isnan(self._usual_a) else max(self._usual_a, floor_a)
            self._gap = min(self._gap + dark_h * usual_a / self.capacity_ah, 0.5)
        # What a full bank is given beyond full, it gasses.
        self.share = min(max(self.share + self._net_ah(flow) / self.capacity_ah - flow.lost, 0.0), 1.0)

    def _gasses(self, volts: float, degc: float) -> bool:
        """Whether a lead-acid bank is above its gassing voltage."""
        if self.plant.battery.chemistry == "lfp" or math.isnan(volts):
            return False
        at = _REFERENCE_DEGC if math.isnan(degc) else min(max(degc, -20.0), 50.0)
        scale = self.plant.battery.nominal_v / 12.0
        return volts >= charge_voltage(_GASSING_V * scale, self.plant.controller.v_per_degc, at)

    def _empty(self, volts: float, net_ah: float, hours: float) -> bool:
        """Whether the bank is empty: its voltage has fallen to the end under no more than the 20 hour current."""
        battery = self.plant.battery
        end_v = _EMPTY_V * battery.nominal_v / 12.0
        if battery.chemistry == "lfp":
            end_v = _EMPTY_CELL_V * lfp_cells(battery.nominal_v)
        gentle = hours > 0 and -self.capacity_ah / _RATED_H * hours <= net_ah <= 0
        return self._emptied.take(gentle and volts <= end_v, hours) >= _EMPTY_H

    def _full(self, volts: float, net_ah: float, hours: float, degc: float) -> bool:
        """Whether the bank is full: absorption was held until its current had fallen, or float for a night."""
        told, scale = self.plant.controller, self.plant.battery.nominal_v / 12.0
        known = not math.isnan(volts) and hours > 0
        margin = (_FULL_UNTOLD_V if math.isnan(degc) else _FULL_MARGIN_V) * scale
        at = _REFERENCE_DEGC if math.isnan(degc) else min(max(degc, -20.0), 50.0)
        taken_a = net_ah / hours if hours > 0 else math.inf
        capacity = self.capacity_ah
        absorbs = known and volts >= charge_voltage(told.absorption_v, told.v_per_degc, at) - margin
        floats = known and volts >= charge_voltage(told.float_v, told.v_per_degc, at) - margin
        held_h = self._absorbing.take(absorbs, hours)
        tail_h = self._tailing.take(
            absorbs and -capacity / REST_RATE < taken_a < capacity / _TAIL_RATE, hours
        )
        float_h = self._floating.take(floats and abs(taken_a) < capacity / REST_RATE, hours)
        return (held_h >= _HELD_H and tail_h >= _TAIL_H) or float_h >= _FLOATED_H

    def _rested(self, volts: float, in_ah: float, out_ah: float, hours: float) -> bool:
        """Whether the bank has now been at rest for long enough, once a day."""
        small = hours > 0 and in_ah + out_ah < self.capacity_ah / REST_RATE * hours
        rest_h = self._resting.take(small and not math.isnan(volts), hours)
        self._since_rest_h += hours
        if rest_h < REST_H or self._since_rest_h < _REST_AGAIN_H:
            return False
        self._since_rest_h = 0.0
        return True

    def _take_rest(self, volts: float) -> bool:
        """Take a rest voltage where it is better than what is known, and return whether it was."""
        if not math.isnan(self.share) and self.u <= _REST_U:
            return False
        battery = self.plant.battery
        block_v = volts * 12.0 / battery.nominal_v
        if battery.chemistry == "lfp":
            told = lfp_charge_from_rest(
                min(max(volts, 8.0 * battery.nominal_v / 12), 14.6 * battery.nominal_v / 12),
                battery.nominal_v,
            )
        else:
            told = flooded_charge_from_rest(
                min(max(block_v, 9.0), 14.4) * battery.nominal_v / 12.0, battery.nominal_v
            )
        if told is None:
            return False
        self._combine(told, _REST_U)
        self._begun_u = max(self._begun_u, _REST_LEAST_U)
        return True

    def _combine(self, share: float, u: float) -> None:
        """Take a sure point beside what is known, each with the weight of its certainty."""
        if math.isnan(self.share):
            self._anchor(share, u)
            return
        known = self.u
        weight = known * known / (known * known + u * u)
        self._anchor(self.share + weight * (share - self.share), known * u / math.hypot(known, u))

    def _anchor(self, share: float, u: float) -> None:
        self.share = self._begun = share
        self._begun_u = u
        self._since = _Flow()
        self._gap = 0.0

    def _learn(self) -> int:
        """Learn the efficiency from the cycle that ends now, and return whether it told anything."""
        cycle, told, capacity = self._cycle, self.beliefs, self.capacity_ah
        if cycle is None or cycle.out_ah < _LEAST_DEPTH * capacity or cycle.bulk_ah <= 0:
            return 0
        if cycle.dark_h > _DARK_SHARE * cycle.hours:
            return 0
        lost_ah, bulk_ah = cycle.lost * capacity, cycle.bulk_ah
        seen = (cycle.out_ah + lost_ah - told.gassing * cycle.gassed_ah) / bulk_ah
        seen_u = (
            math.hypot(
                math.sqrt(2.0) * _FULL_U * capacity,
                told.gassing_u * cycle.gassed_ah,
                cycle.hours * self._offset_a,
                lost_ah * told.self_u,
            )
            / bulk_ah
        )
        if abs(seen - self.efficiency) > _JUMP * math.hypot(seen_u, self.efficiency_u):
            return 0  # such as a full that was none; it would spoil what is known
        known = math.hypot(self.efficiency_u, _LEARNED_DRIFT)
        weight = known * known / (known * known + seen_u * seen_u)
        self.efficiency = min(self.efficiency + weight * (seen - self.efficiency), 1.0)
        self.efficiency_u = max(known * seen_u / math.hypot(known, seen_u), _LEARNED_LEAST_U)
        return 1

    def _learn_capacity(self) -> int:
        """Learn the capacity from the way from full to empty that ends now, and return whether it told anything."""
        cycle, capacity = self._cycle, self.capacity_ah
        self._cycle = None
        if cycle is None or cycle.dark_h > _DARK_SHARE * cycle.hours:
            return 0
        gone_ah = -self._net_ah(cycle)
        if gone_ah < _LEAST_WAY * capacity:
            return 0
        seen = gone_ah / (1.0 - _EMPTY_SHARE - cycle.lost)
        seen_u = math.hypot(
            math.hypot(_FULL_U, _EMPTY_U, cycle.lost * self.beliefs.self_u),
            cycle.bulk_ah * self.efficiency_u / capacity,
            cycle.gassed_ah * self.beliefs.gassing_u / capacity,
            cycle.hours * self._offset_a / capacity,
        )
        known = math.hypot(self.capacity_u, _LEARNED_DRIFT)
        weight = known * known / (known * known + seen_u * seen_u)
        self.capacity_ah = capacity + weight * (seen - capacity)
        self.capacity_u = max(known * seen_u / math.hypot(known, seen_u), _CAPACITY_LEAST_U)
        return 1


def last_full_by_voltage(rows: BatteryRows, plant: Plant) -> int | None:
    """Return when the absorption voltage had last been held for two hours [Unix ms], or None: a guess at full."""
    told, scale = plant.controller, plant.battery.nominal_v / 12.0
    held_h, found = 0.0, None
    before: int | None = None
    for start, end, volts, degc in zip(
        rows.start_ms.tolist(), rows.end_ms.tolist(), rows.volts.tolist(), rows.degc.tolist(), strict=True
    ):
        at = 25.0 if math.isnan(degc) else min(max(degc, -20.0), 50.0)
        wanted_v = charge_voltage(told.absorption_v, told.v_per_degc, at) - _FULL_UNTOLD_V * scale
        holds = volts >= wanted_v and (before is None or start - before < MS_PER_H / 6)
        held_h = held_h + (end - start) / MS_PER_H if holds else 0.0
        before = end
        if held_h >= _LONG_HELD_H:
            found = end
    return found
