"""Ten-minute means of a plant over months and years, as columns: what baselines, seasons and matching are made from.

They come from the ledger's roll-ups. Every ten minutes from the first day to the last has a row; what was not
measured is not-a-number (channels) or nothing with no time measured (totals).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

STEP_MS: Final = 600_000
CHANNELS: Final = (
    "wheel_rpm", "alternator_rpm", "rectified_v", "rectified_a", "battery_v", "charge_a", "stage_m", "shaft_nm",
    "battery_degc", "water_degc",
)  # fmt: skip
TOTALS: Final = (
    "charge_mwh", "charge_valid_ms", "battery_in_mwh", "battery_valid_ms", "dump_mwh", "dump_valid_ms", "wheel_valid_ms",
    "turning_ms", "stopped_ms", "parked_ms", "above_cutin_ms", "charging_ms", "charge_flips",
)  # fmt: skip
COLUMNS: Final = (*CHANNELS, *TOTALS)
_MOSTLY: Final = 0.5
_W_PER_MWH_MS: Final = 3600.0


class DaySpan(NamedTuple):
    """A local day and the rows that belong to it, `begin` to `end`."""

    day: date
    begin: int
    end: int


@dataclass(frozen=True)
class TenMinutes:
    """Columns over time; row i is the ten minutes after `start_ms[i]` [Unix ms].

    Nobody writes into them: what is made from whole columns is made once.

    Attributes:
        start_ms: Where each row begins.
        columns: By name of `COLUMNS`.
        days: The local days, in order; days without any record are among them.

    """

    start_ms: NDArray[np.int64]
    columns: dict[str, NDArray[np.float32]]
    days: tuple[DaySpan, ...]

    @property
    def size(self) -> int:
        """How many rows there are."""
        return int(self.start_ms.size)

    def __getitem__(self, name: str) -> Floats:
        """Return a channel's means or a total's amounts."""
        return self.columns[name].astype(np.float64)

    def has(self, channel: str) -> bool:
        """Whether a channel was ever measured."""
        return bool(np.isfinite(self.columns[channel]).any())

    @cached_property
    def basis(self) -> str:
        """What tells the energy: `charge` or, as a lower bound, `battery`; `charge` where neither was measured."""
        only_battery = not self.columns["charge_valid_ms"].any() and self.columns["battery_valid_ms"].any()
        return "battery" if only_battery else "charge"

    def energy_wh(self) -> Floats:
        """Return the energy of each row [Wh]."""
        return self._energy_wh

    def measured(self) -> Floats:
        """Return the share of each row in which its energy was measured."""
        return self._measured

    def power_w(self) -> Floats:
        """Return the mean power of each row [W]; not-a-number where less than half of it was measured."""
        return self._power_w

    @cached_property
    def _energy_wh(self) -> Floats:
        name = "battery_in_mwh" if self.basis == "battery" else "charge_mwh"
        return _read_only(self[name] / 1000.0)

    @cached_property
    def _measured(self) -> Floats:
        return _read_only(np.minimum(self[f"{self.basis}_valid_ms"] / STEP_MS, 1.0))

    @cached_property
    def _power_w(self) -> Floats:
        valid_ms = self[f"{self.basis}_valid_ms"]
        watts = self.energy_wh() * 1000.0 * _W_PER_MWH_MS / np.maximum(valid_ms, 1.0)
        return _read_only(np.where(valid_ms >= _MOSTLY * STEP_MS, watts, np.nan))

    def part(self, begin: int, end: int) -> TenMinutes:
        """Return some rows; days that are not whole within them are left out."""
        if (begin, end) == (0, self.size):
            return self
        inside = tuple(
            DaySpan(span.day, span.begin - begin, span.end - begin)
            for span in self.days
            if span.begin >= begin and span.end <= end
        )
        columns = {name: column[begin:end] for name, column in self.columns.items()}
        return TenMinutes(self.start_ms[begin:end], columns, inside)


def _read_only(values: Floats) -> Floats:
    values.setflags(write=False)
    return values


def stood_on_purpose(ten: TenMinutes, stretches: Sequence[tuple[int, int]]) -> TenMinutes:
    """Return the rows with every stop within some stretches [Unix ms] counted as parked: somebody wanted it so."""
    if not stretches:
        return ten
    parked = ten.columns["parked_ms"].copy()
    stopped = ten.columns["stopped_ms"].copy()
    for from_ms, to_ms in stretches:
        begin, end = np.searchsorted(ten.start_ms, (from_ms - STEP_MS + 1, to_ms))
        parked[begin:end] += stopped[begin:end]
        stopped[begin:end] = 0
    return TenMinutes(ten.start_ms, {**ten.columns, "parked_ms": parked, "stopped_ms": stopped}, ten.days)


def running(values: Floats) -> Floats:
    """Return the sums of all values before each place, and of all of them: what rows add up to is a difference of two."""
    return np.concatenate((np.zeros(1), np.cumsum(values)))


def empty_rows(count: int) -> dict[str, NDArray[np.float32]]:
    """Return columns of so many rows in which nothing was measured."""
    found = {name: np.full(count, np.nan, np.float32) for name in CHANNELS}
    found.update({name: np.zeros(count, np.float32) for name in TOTALS})
    return found
