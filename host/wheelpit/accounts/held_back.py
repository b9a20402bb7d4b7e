"""Time in which a full battery kept the plant from giving what it could, where no diversion load shows it.

A controller in series takes less and less, at last nothing, and the wheel, unloaded, turns faster; one that diverts
before the shunt leaves the wheel as it was, but what it burns does not pass charge_a. Either way the battery is at the
voltage at which it is held, and less arrives than the machine gives at that speed. What it gives at a speed is learned
from the plant's own time with a lower voltage, as a factor on what plant.toml says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.tenminutes import STEP_MS, TenMinutes
from wheelpit.accounts.timestates import held_at, would_give
from wheelpit.accounts.unloaded import Turn, corrected, could_give

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wheelpit.accounts.tenminutes import Flags, Floats
    from wheelpit.plant.description import Plant

    Places = NDArray[np.int64]

# Of what the machine gives at a speed: so far it may scatter. A wheel from which 5 % is not taken turns a fifth faster, at
# which speed it would give twice as much, so little that is held back goes unseen.
_HELD_BACK: Final = 0.85
_ALL_TAKEN: Final = 0.97
_WHOLE: Final = 0.99
_LEAST_FREE: Final = 36  # rows from which the factor is learned: six hours
_SIGMA: Final = 68.3
_LEAST_U: Final = 0.03
_TURN_ROWS: Final = 13  # two hours after a turn, and before one
_LINE_U: Final = 0.5
_UNTOLD_U: Final = 0.15  # of a plant.toml that nothing was learned to


@dataclass(frozen=True, slots=True)
class HeldBack:
    """Rows in which a full battery held the charge back.

    Attributes:
        rows: Which rows.
        could_w: By row what could have been given [W]; not-a-number where that is not known.
        could_u: Its relative standard uncertainty, the same error in all rows.

    """

    rows: Flags
    could_w: Floats
    could_u: Floats

    def tell(self, expected_w: Floats, u_share: Floats, which: Flags) -> None:
        """Put what could have been given, and how unsure that is, into columns, in some of the rows held back.

        Where it is not known, what stands there is a line between the times around, and a poor one: a battery is full
        just when there is more water than needed.
        """
        rows = self.rows & which
        told = rows & np.isfinite(self.could_w)
        expected_w[told], u_share[told] = self.could_w[told], self.could_u[told]
        u_share[rows & ~told] = _LINE_U


def held_back(ten: TenMinutes, plant: Plant) -> HeldBack:
    """Return the rows in which a full battery held the charge back; none with a controller that diverts at the battery."""
    topology = plant.controller.topology
    could_w, could_u = np.full(ten.size, np.nan), np.full(ten.size, np.nan)
    if topology not in {"series", "diversion-in-controller"} or not ten.size:
        return HeldBack(np.zeros(ten.size, bool), could_w, could_u)
    watts, rpm = np.nan_to_num(ten.power_w()), np.nan_to_num(ten["wheel_rpm"])
    measured = ten[f"{ten.basis}_valid_ms"] > 0
    full = held_at(plant.controller.float_v, ten["battery_v"], ten["battery_degc"], plant)
    charging = (ten["charging_ms"] >= _WHOLE * STEP_MS) & (ten["parked_ms"] == 0)
    loaded_w = would_give(plant, rpm)
    free = ~full & charging & (loaded_w > 0) & (watts > 0)
    loaded_u = _UNTOLD_U
    if free.sum() >= _LEAST_FREE:
        off = watts[free] / loaded_w[free]
        factor = float(np.median(off))
        loaded_w = loaded_w * factor
        loaded_u = max(_LEAST_U, float(np.percentile(np.abs(off / factor - 1), _SIGMA)))
    rows = full & measured & (watts < _HELD_BACK * loaded_w)
    if topology == "diversion-in-controller":
        # The wheel is loaded all the same, and its speed tells what it gives.
        could_w[rows], could_u[rows] = loaded_w[rows], loaded_u
    elif rows.any() and (found := could_give(plant, rpm[rows], watts[rows])) is not None:
        could_w[rows] = found
        whole = charging & measured & ~rows & (watts > _ALL_TAKEN * loaded_w)
        could_w[rows], could_u[rows] = corrected(found, watts[rows], _turns(whole, rows, watts, could_w))
    return HeldBack(rows, could_w, could_u)


def _turns(whole: Flags, held: Flags, watts: Floats, could_w: Floats) -> Turn:
    """Return pairs of a row in which all was taken and one within two hours in which less was, at nearly the same water.

    The rows at the turn, on either side, may hold some of both.
    """
    given: list[Floats] = []
    model: list[Floats] = []
    taken: list[Floats] = []
    # The length of the run of such rows that ends, or begins, with each row.
    since, upto = _running(held), _running(held[::-1])[::-1]
    for lag in range(2, _TURN_ROWS):
        before = np.flatnonzero(whole[: -lag - 1] & whole[1:-lag] & (since[lag + 1 :] == lag))
        after = np.flatnonzero(whole[lag + 1 :] & whole[lag:-1] & (upto[: -lag - 1] == lag))
        given += [watts[before], watts[after + lag + 1]]
        model += [could_w[before + lag + 1], could_w[after]]
        taken += [watts[before + lag + 1], watts[after]]
    given_w, model_w, taken_w = (np.concatenate([np.zeros(0), *parts]) for parts in (given, model, taken))
    use = (given_w > 0) & (model_w > 0)
    return Turn(given_w[use], model_w[use], 1.0 - taken_w[use] / model_w[use])


def _running(flags: Flags) -> Places:
    """Return how many true values in a row end with each."""
    place = np.arange(1, flags.size + 1)
    found: Places = place - np.maximum.accumulate(np.where(flags, 0, place))
    return found


def left_out(ten: TenMinutes, held: HeldBack) -> TenMinutes:
    """Return the rows with those that were held back marked as unsteady: nothing usual is learned from them."""
    if not held.rows.any():
        return ten
    flips = ten.columns["charge_flips"].copy()
    flips[held.rows] += 1
    return TenMinutes(ten.start_ms, {**ten.columns, "charge_flips": flips}, ten.days)
