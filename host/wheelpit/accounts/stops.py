"""When the wheel stopped: dated to the last magnet that passed, not to the moment at which its node was sure.

A node shows the speed of the last turn until a magnet is late; then the speed falls as one over the time since the last
magnet, and after 2.4 times the longest gap of that turn the wheel stands. It ends a record where it calls the wheel slow
and where it calls it stopped. So the last magnet follows from the moments and the speeds of those records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from wheelpit.plant.description import PickupSensor
from wheelpit.plant.history import plant_at
from wheelpit.plant.limits import limits_of
from wheelpit.store.packing import STATES

if TYPE_CHECKING:
    from wheelpit.contract.names import WheelState
    from wheelpit.plant.description import Plant
    from wheelpit.store.recordcolumns import RecordColumns

STOP_TOTALS: Final = ("stopped_ms", "wheel_edges")
STOP_VALUES: Final = (("wheel_rpm", "mean"), ("wheel_rpm", "min"), ("wheel_rpm", "max"))
_MOVING: Final = ("turning", "slow")  # a wheel that was parked, or not seen before, did not stop here
_WAIT_GAPS: Final = 2.4  # gaps without a magnet after which a node calls the wheel stopped
_SAMPLE_MS: Final = 150  # a node looks ten times a second
_ROUGH_MS: Final = 1_000  # where a record could not be ended at once
_SLACK_MS: Final = 600
_LEAST_RPM: Final = 0.5
_NEARLY: Final = 0.95
_LONGEST_MS: Final = 85_000.0  # that a node waits


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of the wheel.

    Attributes:
        at_ms: when the last magnet passed [Unix ms].
        u_ms: standard uncertainty of that [ms].
        kind: sudden, from turning to nothing within a gap or two, or after it had run slowly.
        told_ms: when its node was sure [Unix ms].

    """

    at_ms: int
    u_ms: int
    kind: Literal["sudden", "ran down"]
    told_ms: int


class _Seen(NamedTuple):
    """What a record tells of the wheel: its interval [Unix ms], magnets, and speeds [rpm]."""

    start_ms: int
    end_ms: int
    edges: int
    mean_rpm: float
    least_rpm: float
    most_rpm: float


class StopFinder:
    """Finds stops in records that come in order.

    Args:
        plant: The plant with its changes.
        from_ms: Where the period begins [Unix ms].
        to_ms: Where it ends.
    """

    def __init__(self, plant: Plant, from_ms: int, to_ms: int) -> None:
        self._plant = plant
        self._from_ms, self._to_ms = from_ms, to_ms
        self._upto_ms = 0
        self._state: WheelState = "unknown"
        self._newest: list[_Seen] = []  # the last two records
        self._slow_ms: int | None = None  # when it was called slow, if it still is
        self._slow_rough = False
        self._slow_edges = 0  # magnets since then
        self.found: list[Stop] = []

    def take(self, block: RecordColumns, *, until_ms: int) -> None:
        """Look at some more records, those that end by `until_ms`."""
        fresh = np.flatnonzero((block.end_ms > self._upto_ms) & (block.end_ms <= until_ms))
        if not fresh.size:
            return
        state = block.state[fresh]
        before = np.concatenate(([STATES.index(self._state)], state[:-1]))
        slow, stands = STATES.index("slow"), STATES.index("stopped")
        # Only what happens around a change of state, or while it turns slowly, needs a closer look.
        for place in np.flatnonzero((state != before) | (state == slow)).tolist():
            seen = _seen(block, int(fresh[place]))
            if state[place] == slow:
                if self._slow_ms is None or before[place] != slow:
                    self._slow_ms, self._slow_edges = seen.end_ms, 0
                    self._slow_rough = seen.end_ms % _ROUGH_MS == 0
                else:
                    self._slow_edges += seen.edges
            elif state[place] == stands and STATES[before[place]] in _MOVING:
                stopped = int(block.totals["stopped_ms"][fresh[place]]) if "stopped_ms" in block.totals else 0
                told_ms = seen.end_ms - min(stopped, seen.end_ms - seen.start_ms)
                near = [_seen(block, int(fresh[k])) for k in range(max(place - 2, 0), place)]
                self._stop(told_ms, seen, [*self._newest, *near][-2:])
                self._slow_ms = None
            elif state[place] != stands:
                self._slow_ms = None
        self._newest = [*self._newest, *(_seen(block, int(k)) for k in fresh[-2:])][-2:]
        self._upto_ms = int(block.end_ms[fresh[-1]])
        self._state = STATES[state[-1]]

    def _stop(self, told_ms: int, seen: _Seen, before: list[_Seen]) -> None:
        if not self._from_ms < told_ms <= self._to_ms:
            return
        plant = plant_at(self._plant, told_ms)
        pickup = plant.sensor("wheel_rpm")
        if not isinstance(pickup, PickupSensor):
            return
        slow_gap_ms = 60_000 / (pickup.magnets * limits_of(plant).slow_rpm)
        slow_ms = self._slow_ms
        if slow_ms is not None and self._slow_edges + seen.edges == 0:
            rough = _ROUGH_MS if self._slow_rough else _SAMPLE_MS
            # Called slow when a magnet was late by the slow gap, or else by the last magnet itself.
            late = told_ms - slow_ms <= (_WAIT_GAPS - 1) * slow_gap_ms + _SLACK_MS
            at_ms = round(slow_ms - slow_gap_ms) if late else slow_ms
            self.found.append(Stop(at_ms, rough, "sudden" if late else "ran down", told_ms))
            return
        at_ms, u_ms = _last_magnet(told_ms, seen, before, pickup.magnets)
        self.found.append(Stop(at_ms, u_ms, "sudden" if slow_ms is None else "ran down", told_ms))


def _seen(block: RecordColumns, place: int) -> _Seen:
    def speed(which: str) -> float:
        column = block.values.get(("wheel_rpm", which))
        value = 0.0 if column is None else float(column[place])
        return value if math.isfinite(value) else 0.0

    edges = block.totals.get("wheel_edges")
    return _Seen(
        int(block.start_ms[place]),
        int(block.end_ms[place]),
        0 if edges is None else int(edges[place]),
        speed("mean"),
        speed("min"),
        speed("max"),
    )


def _last_magnet(told_ms: int, seen: _Seen, before: list[_Seen], magnets: int) -> tuple[int, int]:
    """Return when the last magnet passed, and how sure that is [ms].

    With t0 the last magnet, L the longest gap of its turn, n the speed of that turn: the node shows n until t0 + L, then
    n L / (t - t0), and is sure at t0 + 2.4 L.
    """
    if not seen.edges and seen.most_rpm > _LEAST_RPM:
        # The record began while n was shown: its greatest speed is n, and its mean tells for how long.
        shown_ms = seen.mean_rpm * (seen.end_ms - seen.start_ms) / seen.most_rpm
        gap_ms = (told_ms - seen.start_ms - shown_ms) / (_WAIT_GAPS - 1 - math.log(_WAIT_GAPS))
        at_ms = told_ms - _WAIT_GAPS * gap_ms
        mean_gap_ms = 60_000 / (magnets * seen.most_rpm)  # of which the longest is no less
        if gap_ms >= _NEARLY * mean_gap_ms and seen.start_ms <= at_ms + gap_ms:
            return round(min(at_ms, seen.start_ms)), 2 * _SAMPLE_MS
        last = before[-1] if before else None
        if last is not None and last.edges and last.least_rpm > _LEAST_RPM:
            # It began while the speed fell: what it had fallen to tells, with the gaps before the last one.
            usual_ms = 60_000 / (magnets * max(before[0].mean_rpm, _LEAST_RPM))
            at_ms = _fallen(told_ms, seen.start_ms, last.least_rpm, usual_ms, magnets)
            return round(max(at_ms, last.start_ms)), _ROUGH_MS // 2
    rpm = max(seen.most_rpm, _LEAST_RPM)
    wait_ms = min(_WAIT_GAPS * 60_000 / (magnets * rpm), _LONGEST_MS)
    return round(told_ms - wait_ms), round(max(_ROUGH_MS, wait_ms / 4))


def _fallen(told_ms: int, at_ms: int, rpm: float, usual_ms: float, magnets: int) -> float:
    """Return when the last magnet passed if the speed had fallen to `rpm` at a time, by halving."""
    turn_ms = 60_000.0  # a speed in rpm times a time in ms

    def over(last_ms: float) -> float:
        gap_ms = (told_ms - last_ms) / _WAIT_GAPS
        speed = turn_ms / (gap_ms + (magnets - 1) * usual_ms)
        return rpm * (at_ms - last_ms) - speed * gap_ms

    low, high = at_ms - _LONGEST_MS, float(at_ms)
    for _ in range(40):
        middle = (low + high) / 2
        if over(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
