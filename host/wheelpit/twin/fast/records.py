"""Records as columns: the form in which the fast twin hands over years of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.contract.names import PAIRS, TOTALS, Fault, WheelState

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from wheelpit.twin.fast.columns import Floats, Whole

STATES: Final[tuple[WheelState, ...]] = ("unknown", "turning", "slow", "stopped", "parked")
FAULTS: Final[tuple[Fault, ...]] = ("absent", "bus", "config", "range", "railed", "stuck")

_WHEEL_TOTALS: Final = (
    "wheel_edges", "wheel_rejected", "wheel_mrev", "wheel_valid_ms", "turning_ms", "stopped_ms", "parked_ms",
    "above_cutin_ms",
)  # fmt: skip
_CURRENT_TOTALS: Final = {
    "charge_a": ("charging_ms", "charge_flips", "charge_mas"),
    "battery_a": ("battery_in_mas", "battery_out_mas"),
}
_PAIR_TOTALS: Final = {
    "rectified": ("rectified_mwh", "rectified_valid_ms"),
    "charge": ("charge_mwh", "charge_back_mwh", "charge_valid_ms"),
    "battery": ("battery_in_mwh", "battery_out_mwh", "battery_valid_ms"),
    "load": ("load_mwh", "load_valid_ms"),
    "dump": ("dump_mwh", "dump_valid_ms"),
}


def totals_of(channels: tuple[str, ...]) -> tuple[str, ...]:
    """Return the totals that a node with these channels counts, in the contract's order."""
    found: set[str] = set()
    if "wheel_rpm" in channels:
        found.update(_WHEEL_TOTALS)
    for channel, names in _CURRENT_TOTALS.items():
        if channel in channels:
            found.update(names)
    for pair, (volts, amps) in PAIRS.items():
        if volts in channels and amps in channels:
            found.update(_PAIR_TOTALS[pair])
    return tuple(name for name in TOTALS if name in found)


@dataclass(frozen=True, slots=True)
class RecordColumns:
    """Records of one boot, one after the other, and the truth behind them.

    Args:
        boot: The boot.
        first_n: Number of the first record in it.
        span_ms: Length of each [ms].
        end_ms: When each ended [Unix ms].
        up_ms: The same since boot [ms].
        state: The wheel's state, as a place in `STATES`.
        mean: Per channel the mean; nan where it could not be read.
        least: Per channel the least reading.
        most: Per channel the most.
        fault: Per channel why it could not be read, as a place in `FAULTS` and 1 more; 0 where it could.
        total: Per name of the contract the total since boot at each record's end.
        true: Per channel what a sensor without error would show.
        truth: Flows, powers, losses, state of charge: see `course.TRUTH`.
        present: What was out of order: per fault where, and its severity.
    """

    boot: int
    first_n: int
    span_ms: int
    end_ms: Whole
    up_ms: Whole
    state: NDArray[np.int8]
    mean: dict[str, Floats]
    least: dict[str, Floats]
    most: dict[str, Floats]
    fault: dict[str, NDArray[np.int8]]
    total: dict[str, Whole]
    true: dict[str, Floats]
    truth: dict[str, Floats]
    present: list[tuple[slice, dict[str, float]]]

    @property
    def size(self) -> int:
        """How many records there are."""
        return self.end_ms.size
