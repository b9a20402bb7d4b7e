"""Plants that are not quite as their owner describes them: hundreds of them, by number.

A description is measured with a tape, read off labels and guessed. The true plant behind it differs in all of that, in
what the description does not tell, and in its sensors' errors: a monitor must not live on the description being true.
"""

from __future__ import annotations

import dataclasses
import math
import random
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.sensing import SensorSet

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

_WIDEST: Final = 2.5  # standard deviations beyond which nothing is drawn

# How far the truth lies from the description: standard deviations as shares of the described value ...
_SHARES: Final[dict[str, dict[str, float]]] = {
    "water": {"head_m": 0.015},
    "wheel": {
        "bucket_l": 0.04, "bucket_radius_m": 0.01, "entry_fall_m": 0.1, "entry_share": 0.04, "bearing_nm": 0.2,
        "bearing_nm_s2": 0.3, "inertia_kg_m2": 0.08,
    },
    "belt": {"pulley_diameter_m": 0.008, "drum_diameter_m": 0.003, "creep": 0.2, "loss_nm": 0.2, "loss_per_nm": 0.15},
    "alternator": {"v_per_rpm": 0.02, "resistance_ohm": 0.04, "inductance_h": 0.1, "iron_nm": 0.15, "diode_v": 0.06},
    "converter": {"a_per_v": 0.1, "output_limit_a": 0.03, "restart_s": 0.15},
    "battery": {"resistance_ohm": 0.2},
    "inverter": {"idle_w": 0.1},
    "controller": {"dump_w": 0.04},
}  # fmt: skip
# ... and in the value's own unit; voltages of a 12 V bank.
_PLUS: Final[dict[str, dict[str, float]]] = {
    "wheel": {"entry_deg": 1.5, "spill_deg": 2.0, "empty_deg": 1.5},
    "converter": {"start_v": 0.15, "efficiency": 0.01},
    "controller": {"absorption_v": 0.05, "float_v": 0.05},
    "water": {"temperature_degc": 1.0},
}
_ASSUMED: Final[dict[str, float]] = {
    "capacitor_f": 0.08,
    "winding_j_per_k_w": 0.2,
    "winding_cooling_s": 0.2,
    "magnets_per_degc": 0.2,
    "missed_per_overspeed": 0.1,
    "belt_reserve": 0.1,
    "mid_resistance_ohm_ah": 0.15,
    "discharge_ohm_ah": 0.15,
    "diffusion_ohm_ah": 0.2,
    "acceptance_s_per_ah": 0.15,
    "gassing_a_per_ah": 0.25,
    "gassing_v_per_decade": 0.03,
    "self_discharge_per_day": 0.3,
    "inverter_ripple": 0.1,
    "steady_load_w": 0.2,
}
_CAPACITY: Final = 0.92, 0.06  # of the label's, mean and standard deviation


class Variant(NamedTuple):
    """A plant as it truly is: its parts, the figures that no description tells, and the seed of its sensors' errors."""

    plant: Plant
    assumptions: Assumptions
    sensor_seed: int

    def sensors(self, told: Plant, *, codes: bool = False) -> SensorSet:
        """Return its sensors, set up by the described plant; see `SensorSet`."""
        return SensorSet(told, self.sensor_seed, codes=codes)


def variant(plant: Plant, number: int, *, spread: float = 1.0, assumptions: Assumptions = USUAL) -> Variant:
    """Return the true plant of a number behind a described one.

    Args:
        plant: The plant as described.
        number: Its number; the same always gives the same plant.
        spread: How far it lies off, as a multiple of the usual; 0 gives the plant as described.
        assumptions: What the truth scatters about where no description tells it.
    """
    chance = random.Random(f"variant {number}")  # noqa: S311 - a simulation, no secret

    def drawn() -> float:
        return spread * min(max(chance.gauss(), -_WIDEST), _WIDEST)

    parts: dict[str, Any] = {}
    for table in sorted({*_SHARES, *_PLUS}):
        told = getattr(plant, table)
        scale = plant.battery.nominal_v / 12 if table == "controller" else 1.0
        true: dict[str, float] = {}
        for name, share in _SHARES.get(table, {}).items():
            value = getattr(told, name, None)
            factor = math.exp(share * drawn())
            if value:
                true[name] = value * factor
        for name, plus in _PLUS.get(table, {}).items():
            off = plus * scale * drawn()
            value = getattr(told, name, None)
            if value is not None:
                true[name] = value + off
        parts[table] = dataclasses.replace(told, **_sound(told, true))
    assumed = {
        name: getattr(assumptions, name) * math.exp(share * drawn()) for name, share in _ASSUMED.items()
    }
    mean, deviation = _CAPACITY
    true_capacity = assumptions.true_capacity if not spread else mean + deviation * drawn()
    true_assumptions = dataclasses.replace(assumptions, **assumed, true_capacity=true_capacity)
    return Variant(dataclasses.replace(plant, **parts), true_assumptions, number)


def _sound(told: Any, true: dict[str, float]) -> dict[str, float]:
    """Return the drawn values with those that cannot be brought back into what can."""
    if "float_v" in true:
        true["float_v"] = min(true["float_v"], true["absorption_v"])
    if "start_v" in true:
        # The two thresholds of a converter move together.
        true["stop_v"] = told.stop_v + true["start_v"] - told.start_v
        true["efficiency"] = min(true["efficiency"], 0.99)
    if "empty_deg" in true:
        true["empty_deg"] = min(max(true["empty_deg"], true["spill_deg"] + 5), 180.0)
        true["entry_deg"] = max(true["entry_deg"], 0.0)
    return true
