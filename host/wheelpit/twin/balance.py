"""Where every joule of a run went: the twin's proof that it neither makes nor loses energy."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """The energies of a run [J]: what the water brought, what was lost or used, what the stores gained.

    What the stores gained comes from the state at both ends, everything else from sums over the steps, so the
    two sides agree only if the model keeps energy. `error_j` is what does not agree. `changed_j` is what the plates lost
    (or got back, negative) at the moment a fault took capacity or a cell from them, or they were replaced.
    """

    water_j: float
    missed_j: float
    entry_j: float
    exit_j: float
    bearing_j: float
    jam_j: float
    wade_j: float
    belt_j: float
    iron_j: float
    copper_j: float
    diode_j: float
    bleed_j: float
    clamp_j: float
    converter_j: float
    ohmic_j: float
    polarisation_j: float
    gassing_j: float
    self_discharge_j: float
    changed_j: float
    dump_j: float
    load_j: float
    raised_gain_j: float
    moving_gain_j: float
    capacitor_gain_j: float
    polarised_gain_j: float
    chemical_gain_j: float

    def since(self, earlier: Balance) -> Balance:
        """Return what was added between an earlier balance of the same plant and this one."""
        return Balance(**{name: value - getattr(earlier, name) for name, value in self.items()})

    def items(self) -> list[tuple[str, float]]:
        """Return names and values [J] in order of the way from water to loads."""
        return [(field.name, getattr(self, field.name)) for field in fields(self)]

    @property
    def error_j(self) -> float:
        """What came in and is neither lost, used nor stored [J]."""
        return self.water_j - sum(value for name, value in self.items() if name != "water_j")

    @property
    def turnover_j(self) -> float:
        """The larger of what came in from the water and what came out of the stores [J]."""
        return max(self.water_j, sum(-value for _, value in self.items() if value < 0))

    @property
    def error_share(self) -> float:
        """The error as a share of the turnover; 0 where nothing moved."""
        return abs(self.error_j) / self.turnover_j if self.turnover_j else 0.0


LABELS: Final[dict[str, str]] = {
    "water_j": "brought by the water",
    "missed_j": "missed the buckets or ran over",
    "entry_j": "lost at the entry",
    "exit_j": "left with the water",
    "bearing_j": "bearings and drag",
    "jam_j": "jam, ice and other things in the way",
    "wade_j": "wading in the tailwater",
    "belt_j": "belt",
    "iron_j": "alternator, iron",
    "copper_j": "alternator, copper",
    "diode_j": "bridge",
    "bleed_j": "divider across the capacitor",
    "clamp_j": "clamp at the bridge",
    "converter_j": "converter, or the cable in its place",
    "ohmic_j": "battery, resistance",
    "polarisation_j": "battery, polarisation",
    "gassing_j": "battery, gassing",
    "self_discharge_j": "battery, by itself",
    "changed_j": "left with worn or shorted cells",
    "dump_j": "diversion load",
    "load_j": "inverter and loads",
    "raised_gain_j": "stored in raised water",
    "moving_gain_j": "stored in motion",
    "capacitor_gain_j": "stored in the capacitor",
    "polarised_gain_j": "stored in polarisation",
    "chemical_gain_j": "stored in the plates",
}
