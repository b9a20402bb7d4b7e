"""In which state a plant spent its time, for many slices of time at once, from what its node counted.

A node counts how long the wheel turned, stood, was parked, was above cut-in, and how long current flowed. Where one slice
holds both charging below cut-in (a converter that started keeps on down to its cut-out) and time above cut-in without
charging, the counts do not tell how far they overlap: as far as they can, is assumed. In a record of seconds that hardly
ever matters; the longer the slice the more it can.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from wheelpit.plant.chain import RPM, chain_of, charging_v
from wheelpit.plant.limits import limits_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from wheelpit.plant.description import Plant

    Whole = NDArray[np.int64]
    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

State = Literal["charging", "curtailed", "idling", "slow", "stopped", "parked", "unmeasured"]
STATES: Final[tuple[State, ...]] = (
    "charging", "curtailed", "idling", "slow", "stopped", "parked", "unmeasured",
)  # fmt: skip
LABELS: Final[dict[State, str]] = {
    "charging": "charging",
    "curtailed": "charging held back, battery full",
    "idling": "above cut-in, not charging",
    "slow": "turning below cut-in",
    "stopped": "stopped",
    "parked": "parked on purpose",
    "unmeasured": "not measured",
}
TOTALS: Final = (
    "wheel_valid_ms", "turning_ms", "stopped_ms", "parked_ms", "above_cutin_ms", "charging_ms", "charge_valid_ms",
)  # fmt: skip
CHANNELS: Final = ("dump_a", "battery_v", "battery_degc", "charge_a", "wheel_rpm")
NO_CHARGE: Final = (
    "charge_a is not fitted: whether it charged above cut-in is not known, and counts as not measured"
)
GUESSED: Final = (
    "held back is told by the battery's voltage, since dump_a is not fitted: a guess, not a measurement"
)
_DIVERTING_W: Final = 1.0  # into the diversion load; less is its meter's zero
_LONG_MS: Final = 120_000  # a slice that is longer may hold both
_FULL_MARGIN_V: Final = 0.15  # below the controller's set voltage, of a 12 V bank
_HELD_BACK: Final = 0.7  # of what the machine would give at that speed
_CURVE_POINTS: Final = 64


@dataclass(frozen=True, slots=True)
class Slices:
    """Slices of time: how long each is [ms], its totals, and the means of its channels (not-a-number: none)."""

    length_ms: Whole
    totals: Mapping[str, Whole]
    means: Mapping[str, Floats]

    def total(self, name: str) -> Whole:
        """Return a total; nothing where no slice has it."""
        found = self.totals.get(name)
        return np.zeros_like(self.length_ms) if found is None else found

    def mean(self, name: str) -> Floats:
        """Return a channel's means; not-a-number where no slice has it."""
        found = self.means.get(name)
        return np.full(self.length_ms.size, np.nan) if found is None else found


def assign(slices: Slices, plant: Plant) -> Whole:
    """Return how long each slice was in each state [ms]: a row for each of `STATES`; columns sum to the lengths.

    Args:
        slices: The slices.
        plant: The plant of their time.

    """
    length = slices.length_ms
    parked = np.minimum(slices.total("parked_ms"), length)
    turning = np.minimum(slices.total("turning_ms"), length - parked)
    stopped = np.minimum(slices.total("stopped_ms"), length - parked - turning)
    charging = np.minimum(slices.total("charging_ms"), turning + stopped)
    # Current flows from a wheel whose pickup sees nothing: it turns, and its pickup is dead.
    unseen = np.maximum(charging - turning, 0)
    turning, stopped = turning + unseen, stopped - unseen
    above = np.minimum(np.maximum(slices.total("above_cutin_ms"), charging), turning)
    idling, slow = above - charging, turning - above
    # Where the current was not measured, nobody knows whether the time above cut-in was spent charging.
    blind = np.clip(turning + stopped + parked - slices.total("charge_valid_ms"), 0, idling)
    idling = idling - blind
    full = _full(slices, plant)
    held = np.rint(full * charging).astype(np.int64), np.rint(full * idling).astype(np.int64)
    curtailed = held[0] + held[1]
    charging, idling = charging - held[0], idling - held[1]
    unmeasured = length - charging - curtailed - idling - slow - stopped - parked
    return np.array([charging, curtailed, idling, slow, stopped, parked, unmeasured])


def notes_of(plant: Plant) -> list[str]:
    """Return what a person must know of the states of a plant with these sensors."""
    found = []
    if "charge_a" not in plant.channels:
        found.append(NO_CHARGE)
    if "dump_a" not in plant.channels and plant.controller.topology != "none":
        found.append(GUESSED)
    return found


def _full(slices: Slices, plant: Plant) -> Floats:
    """Return in what share of each slice a full battery held the charge back: diverted it, or let the wheel take less."""
    if "dump_a" in plant.channels:
        volts = np.nan_to_num(slices.mean("battery_v"), nan=plant.battery.nominal_v)
        return _diverting(
            volts * np.nan_to_num(slices.mean("dump_a")), volts * slices.mean("charge_a"), slices.length_ms
        )
    return _at_limit(slices, plant).astype(np.float64)


def _diverting(dump_w: Floats, charge_w: Floats, length_ms: Whole) -> Floats:
    """Return the share of each slice in which power was diverted.

    Ten minutes in which diverting began or ended hold a part of it: the part that their mean is of their neighbour's.
    """
    on = dump_w > _DIVERTING_W
    found = on.astype(np.float64)
    edge = np.concatenate(([False], on, [False]))
    lonely = on & ~(edge[:-2] & edge[2:]) & (length_ms > _LONG_MS)
    if lonely.any():
        near = np.concatenate(([0.0], dump_w, [0.0]))
        whole = np.maximum(near[:-2], near[2:])
        whole = np.where(whole > _DIVERTING_W, whole, np.nan_to_num(charge_w, nan=np.inf))
        found[lonely] = np.clip(dump_w[lonely] / np.maximum(whole[lonely], _DIVERTING_W), 0.0, 1.0)
    return found


def _at_limit(slices: Slices, plant: Plant) -> Flags:
    """Return in which slices the battery's voltage tells that it was full."""
    topology = plant.controller.topology
    if topology == "none":
        return np.zeros(slices.length_ms.size, bool)
    volts, degc = slices.mean("battery_v"), slices.mean("battery_degc")
    if topology == "diversion-at-battery":
        return held_at(limits_of(plant).absorption_at_25_v, volts, degc, plant)
    at_limit = held_at(plant.controller.float_v, volts, degc, plant)
    with np.errstate(invalid="ignore"):
        given_w = volts * slices.mean("charge_a")
        less: Flags = given_w < _HELD_BACK * would_give(plant, slices.mean("wheel_rpm"))
        return at_limit & less


def held_at(set_at_25_v: float, volts: Floats, degc: Floats, plant: Plant) -> Flags:
    """Return where a battery's voltage [V] is as high as its controller holds it, or nearly, at its temperature [°C]."""
    # Warmer batteries are held lower; without its temperature the limit of the warmest is no proof, so 25 °C counts.
    warmer_degc = np.clip(np.where(np.isnan(degc), 25.0, degc), -20.0, 50.0) - 25.0
    margin_v = _FULL_MARGIN_V * plant.battery.nominal_v / 12
    with np.errstate(invalid="ignore"):
        found: Flags = volts >= set_at_25_v + plant.controller.v_per_degc * warmer_degc - margin_v
    return found


def would_give(plant: Plant, rpm: Floats) -> Floats:
    """Return what the machine gives to the battery at these speeds when nothing holds it back [W], by model."""
    chain = chain_of(plant)
    top = chain.ceiling_rad_s / RPM
    speeds = np.linspace(0.0, top, _CURVE_POINTS)
    battery_v = charging_v(plant)
    watts = [chain.battery_w(chain.electric(float(speed) * RPM, battery_v)) for speed in speeds]
    found: Floats = np.interp(np.nan_to_num(rpm), speeds, watts)
    return found
