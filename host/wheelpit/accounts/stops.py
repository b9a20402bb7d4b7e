"""When the wheel stopped: dated to the last magnet that passed, not to the moment at which its node was sure.

A node calls a wheel slow when no magnet came for as long as one takes at the slow speed, and stopped after 2.4 times the
longest gap of the last turn. It ends a record at each of the two moments. So the last magnet passed one slow gap before
the record that says slow, if none passed after it; else the wait before the record that says stopped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

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
STOP_VALUES: Final = (("wheel_rpm", "max"),)
_MOVING: Final = ("turning", "slow")  # a wheel that was parked, or not seen before, did not stop here
_WAIT_GAPS: Final = 2.4  # gaps without a magnet after which a node calls the wheel stopped
_SAMPLE_MS: Final = 150  # a node looks ten times a second
_ROUGH_MS: Final = 1_000  # where a record could not be ended at once
_FASTEST_RPM: Final = 200.0
_SLACK_MS: Final = 600


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
        self._slow_ms: int | None = None  # when it was called slow, if it still is
        self._slow_rough = False
        self._slow_edges = 0  # magnets since then
        self.found: list[Stop] = []

    def take(self, block: RecordColumns, *, until_ms: int) -> None:
        """Look at some more records, those that end by `until_ms`."""
        fresh = (block.end_ms > self._upto_ms) & (block.end_ms <= until_ms)
        if not fresh.any():
            return
        state, ends, starts = block.state[fresh], block.end_ms[fresh], block.start_ms[fresh]
        none = np.zeros(state.size, np.int64)
        stopped = block.totals.get("stopped_ms", block.state)[fresh]
        edges = block.totals["wheel_edges"][fresh] if "wheel_edges" in block.totals else none
        fastest = block.values.get(("wheel_rpm", "max"))
        rpm = none.astype(np.float64) if fastest is None else fastest[fresh]
        before = np.concatenate(([STATES.index(self._state)], state[:-1]))
        slow, stands = STATES.index("slow"), STATES.index("stopped")
        # Only what happens around a change of state, or while it turns slowly, needs a closer look.
        for place in np.flatnonzero((state != before) | (state == slow)).tolist():
            name = STATES[state[place]]
            rough = int(ends[place]) % _ROUGH_MS == 0
            if name == "slow":
                if self._slow_ms is None or before[place] != slow:
                    self._slow_ms, self._slow_rough, self._slow_edges = int(ends[place]), rough, 0
                else:
                    self._slow_edges += int(edges[place])
            elif state[place] == stands and STATES[before[place]] in _MOVING:
                told_ms = int(ends[place]) - min(int(stopped[place]), int(ends[place] - starts[place]))
                self._stop(told_ms, int(edges[place]), float(rpm[place]))
                self._slow_ms = None
            elif state[place] != stands:
                self._slow_ms = None
        self._upto_ms = int(ends[-1])
        self._state = STATES[state[-1]]

    def _stop(self, told_ms: int, edges: int, fastest_rpm: float) -> None:
        if not self._from_ms < told_ms <= self._to_ms:
            return
        plant = plant_at(self._plant, told_ms)
        pickup = plant.sensor("wheel_rpm")
        if not isinstance(pickup, PickupSensor):
            return
        slow_gap_ms = 60_000 / (pickup.magnets * limits_of(plant).slow_rpm)
        slow_ms = self._slow_ms
        if slow_ms is not None and self._slow_edges + edges == 0:
            rough = _ROUGH_MS if self._slow_rough else _SAMPLE_MS
            if told_ms - slow_ms <= (_WAIT_GAPS - 1) * slow_gap_ms + _SLACK_MS:
                self.found.append(Stop(round(slow_ms - slow_gap_ms), rough, "sudden", told_ms))
            else:
                # The last magnet itself told that it had become slow.
                self.found.append(Stop(slow_ms, rough, "ran down", told_ms))
            return
        rpm = min(max(fastest_rpm if np.isfinite(fastest_rpm) else 0.0, 0.5), _FASTEST_RPM)
        wait_ms = _WAIT_GAPS * 60_000 / (pickup.magnets * rpm)
        kind: Literal["sudden", "ran down"] = "sudden" if slow_ms is None else "ran down"
        u_ms = _SAMPLE_MS if slow_ms is None else round(max(_ROUGH_MS, wait_ms / 4))
        self.found.append(Stop(round(told_ms - wait_ms), u_ms, kind, told_ms))
