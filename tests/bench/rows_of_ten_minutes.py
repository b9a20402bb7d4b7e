"""Ten-minute rows of a plant that behaves as a test says."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.tenminutes import STEP_MS, DaySpan, TenMinutes, empty_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROWS_A_DAY: Final = 144
FIRST: Final = dt.date(2025, 1, 1)


def running(
    watts: NDArray[np.float64], rpm: NDArray[np.float64] | float = 10.0, first: dt.date = FIRST
) -> TenMinutes:
    """Return days of a plant that always turns and charges with such powers [W]."""
    table = empty_rows(watts.size)
    full = np.full(watts.size, STEP_MS, np.float32)
    for name in ("charge_valid_ms", "wheel_valid_ms", "turning_ms", "above_cutin_ms", "charging_ms"):
        table[name] = full.copy()
    table["charge_mwh"] = (watts * 1000 / 6).astype(np.float32)
    table["wheel_rpm"] = (np.zeros(watts.size) + rpm).astype(np.float32)
    table["battery_v"] = np.full(watts.size, 13.5, np.float32)
    table["battery_degc"] = np.full(watts.size, 15.0, np.float32)
    midnight = dt.datetime.combine(first, dt.time(), dt.UTC).timestamp() * 1000
    days = tuple(
        DaySpan(first + dt.timedelta(days=day), day * ROWS_A_DAY, (day + 1) * ROWS_A_DAY)
        for day in range(watts.size // ROWS_A_DAY)
    )
    return TenMinutes(round(midnight) + STEP_MS * np.arange(watts.size, dtype=np.int64), table, days)


def stop(ten: TenMinutes, rows: slice, *, parked: bool = False, dark: bool = False) -> None:
    """Let the wheel stand, be parked, or the node be dark over some rows."""
    for name in ("turning_ms", "above_cutin_ms", "charging_ms", "charge_mwh"):
        ten.columns[name][rows] = 0
    if dark:
        ten.columns["charge_valid_ms"][rows] = 0
        ten.columns["wheel_valid_ms"][rows] = 0
    else:
        ten.columns["parked_ms" if parked else "stopped_ms"][rows] = STEP_MS
