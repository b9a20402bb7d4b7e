"""The twin in real time: as many frames as are due, each dated, their totals kept."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any, Final

from wheelpit.twin.machine import FRAME_US, Totals
from wheelpit.twin.series import Series

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.twin.machine import Frame, TwinPlant

_AT_ONCE: Final = 20
_LATEST: Final = 100  # frames, 5 s: a process that slept longer does not run after the lost time
_J_PER_WH: Final = 3600.0


class LiveTwin:
    """A twin bound to the clocks.

    Args:
        plant: The simulated plant; its time 0 is now.
        monotonic_ns: The clock that paces it.
        unix_ns: The clock that dates it; read at every frame, so a clock that is set right is followed.
    """

    def __init__(
        self,
        plant: TwinPlant,
        *,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        unix_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.plant = plant
        self._monotonic_ns = monotonic_ns
        self._unix_ns = unix_ns
        self._zero_ns = monotonic_ns() - plant.t_us * 1000
        self._series = Series(len(Totals._fields))
        self._last_edge_ms: int | None = None
        self.skipped_frames = 0
        self._mark()

    def now_us(self) -> int:
        """Return the time since the start by the pacing clock [us]."""
        return (self._monotonic_ns() - self._zero_ns) // 1000

    def wait_s(self) -> float:
        """Return how long until the next frame is due [s]; 0 when one is."""
        return max(0.0, (self.plant.t_us + FRAME_US - self.now_us()) / 1e6)

    def frames(self) -> list[Frame]:
        """Go on to now, by 20 frames at most, and return them.

        After more than 5 s without a call the plant stands still for what was lost, and time goes on: edges stay
        exact, nothing is crammed into a moment.
        """
        due = (self.now_us() - self.plant.t_us) // FRAME_US
        if due > _LATEST:
            self.plant.skip(due - 1)
            self.skipped_frames += due - 1
            self._mark()
            due = 1
        made: list[Frame] = []
        for _ in range(min(due, _AT_ONCE)):
            frame = self.plant.frame()
            at_us = self._mark()
            if frame.edges:
                self._last_edge_ms = (at_us - frame.t_us + frame.edges[-1]) // 1000
            made.append(frame)
        return made

    def _mark(self) -> int:
        """Keep the totals of now, and return the Unix time of the plant's now [us]."""
        late_us = self.now_us() - self.plant.t_us
        at_us = self._unix_ns() // 1000 - late_us
        self._series.add(at_us, self.plant.totals())
        return at_us

    def energy(self, from_ms: int | None, to_ms: int | None) -> dict[str, Any]:
        """Return what was counted between two Unix times.

        Args:
            from_ms: Beginning; since the oldest moment known where it is None [ms].
            to_ms: End; up to the newest moment known where it is None [ms].

        Returns:
            The times, energies in Wh, charges in Ah, revolutions of the wheel.

        Raises:
            TwinError: A time is outside what the twin knows.
        """
        first_ms, last_ms = self._known_ms()
        from_ms = first_ms if from_ms is None else from_ms
        to_ms = last_ms if to_ms is None else to_ms
        grown = Totals(*self._series.between(from_ms * 1000, to_ms * 1000))
        answer: dict[str, Any] = {"from_ms": from_ms, "to_ms": to_ms}
        for name, value in grown._asdict().items():
            if name.endswith("_j"):
                answer[name.removesuffix("_j") + "_wh"] = value / _J_PER_WH
            elif name.endswith("_c"):
                answer[name.removesuffix("_c") + "_ah"] = value / _J_PER_WH
            else:
                answer[name] = value
        return answer

    def _known_ms(self) -> tuple[int, int]:
        """Return the first and the last whole millisecond that the series knows."""
        return -(-self._series.first_us // 1000), self._series.last_us // 1000

    def state(self) -> dict[str, Any]:
        """Return what the plant is like now: times, channels, stores, faults."""
        plant = self.plant
        first_ms, last_ms = self._known_ms()
        return {
            "t_us": plant.t_us,
            "known_from_ms": first_ms,
            "known_to_ms": last_ms,
            "last_edge_ms": self._last_edge_ms,
            **plant.mean,
            "stream_l_s": plant.river.stream_l_s,
            "flow_l_s": plant.river.flow_l_s,
            "ordered_flow_l_s": plant.river.ordered_l_s,
            "fill": plant.wheel.fill,
            "load_w": plant.household.load_w,
            "state_of_charge": plant.bank.state_of_charge,
            "limit_v": plant.bank.controller.limit_v,
            "gassing_a": plant.bank.gassing_a,
            "stage": "float" if plant.bank.controller.floats else "absorption",
            "slip": plant.wheel.slip,
            "parked": plant.parked,
            "faults": plant.faults.present(),
            "skipped_s": self.skipped_frames * FRAME_US / 1e6,
            "balance_error_share": plant.balance().error_share,
        }
