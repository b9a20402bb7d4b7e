"""What is in a bank's cells: rest voltage by chemistry, resistances, gassing and self-discharge.

All figures of a bank as it is built; `bank` steps it. Lead-acid is a rest voltage by the acid's strength, a polarisation
that grows as the plates fill, a slow evening out of the acid, and gassing by Tafel's law. LiFePO4 is its own rest
voltage with small resistances, takes its charge whole, and has no gas to make until its cells are far over their limit.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.twin.assumptions import LFP_REST_VOLTAGE, REST_VOLTAGE

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.assumptions import Assumptions

_LN10: Final = math.log(10)
_DAY_S: Final = 86_400.0
_TIGHT: Final = 1 / 6  # self-discharge of sealed lead-acid and of LiFePO4 over that of a flooded bank
_REFERENCE_DEGC: Final = 25.0


class RestCurve:
    """Rest voltage by state of charge, and its integral; straight between points, and on beyond them.

    Args:
        points: State of charge and volts, rising.
    """

    def __init__(self, points: tuple[tuple[float, float], ...]) -> None:
        self._shares = [share for share, _ in points]
        self._volts = [volts for _, volts in points]
        self._below = [0.0]
        for k in range(1, len(points)):
            width = self._shares[k] - self._shares[k - 1]
            self._below.append(self._below[-1] + 0.5 * (self._volts[k - 1] + self._volts[k]) * width)
        self._at_empty = self._integral(0.0)

    def _piece(self, share: float) -> tuple[int, float]:
        k = min(max(bisect_right(self._shares, share) - 1, 0), len(self._shares) - 2)
        slope = (self._volts[k + 1] - self._volts[k]) / (self._shares[k + 1] - self._shares[k])
        return k, self._volts[k] + slope * (share - self._shares[k])

    def volts(self, share: float) -> float:
        """Return the rest voltage at a state of charge [V]."""
        return self._piece(share)[1]

    def _integral(self, share: float) -> float:
        k, volts = self._piece(share)
        return self._below[k] + 0.5 * (self._volts[k] + volts) * (share - self._shares[k])

    def volts_charge(self, share: float) -> float:
        """Return the integral of the rest voltage from empty [V times the share of capacity]."""
        return self._integral(share) - self._at_empty


# Below empty the acid is spent and the voltage falls away: 10.5 V under the twenty hour current is about the end.
LEAD: Final = RestCurve(((-0.10, 9.0), *REST_VOLTAGE))
LFP: Final = RestCurve((*LFP_REST_VOLTAGE, (1.03, 16.4)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Figures of a whole bank as built: volts [V], resistances [ohm], capacitances [F], currents [A].

    `series` is the number of cells; `scale` its nominal voltage over 12 V, by which `rest` is multiplied.
    """

    rest: RestCurve
    scale: float
    series: int
    capacity_c: float
    ohm: float
    mid_ohm: float
    discharge_ohm: float
    acceptance_s: float
    acceptance_power: float
    polarisation_f: float
    diffusion_ohm: float
    diffusion_f: float
    gassing_a: float
    gassing_v: float
    gassing_v_per_degc: float
    gassing_per_v: float
    thermoneutral_v: float
    self_discharge_per_s: float
    heat_j_per_k: float

    def accepting_s(self, share: float) -> float:
        """Conductance by which the plates take the charging polarisation at a state of charge [S]."""
        if not self.acceptance_s:
            return 1 / self.mid_ohm
        room = math.pow(max(1 - share, 0.0), self.acceptance_power)
        return room / (self.mid_ohm * room + 1 / self.acceptance_s)

    def giving_s(self, share: float) -> float:
        """Conductance by which the plates give to the discharging polarisation at a state of charge [S]."""
        spent = max(share, _LEAST_SHARE) if self.acceptance_s else 1.0
        return spent / self.discharge_ohm

    def lost_share(self, seconds: float, degc: float) -> float:
        """Share of the capacity that is lost by itself in so many seconds at a temperature."""
        return self.self_discharge_per_s * seconds * math.exp2((degc - _REFERENCE_DEGC) / 10)


_LEAST_SHARE: Final = 0.15


def cells_of(plant: Plant, assumptions: Assumptions) -> Cells:
    """Return the figures of a plant's bank as built."""
    told = assumptions
    lithium = plant.battery.chemistry == "lfp"
    scale, nominal_ah = plant.battery.nominal_v / 12, plant.battery.capacity_ah
    per_ohm = scale / nominal_ah
    diffusion_ohm = told.diffusion_ohm_ah * per_ohm * (_LFP_DIFFUSION if lithium else 1)
    tight = plant.battery.chemistry != "flooded"
    return Cells(
        rest=LFP if lithium else LEAD,
        scale=scale,
        series=round((_LFP_CELLS if lithium else _LEAD_CELLS) * scale),
        capacity_c=nominal_ah * told.true_capacity * 3600,
        ohm=plant.battery.resistance_ohm,
        mid_ohm=(_LFP_OHM_AH if lithium else told.mid_resistance_ohm_ah) * per_ohm,
        discharge_ohm=(_LFP_OHM_AH if lithium else told.discharge_ohm_ah) * per_ohm,
        acceptance_s=0.0 if lithium else told.acceptance_s_per_ah / per_ohm,
        acceptance_power=told.acceptance_power,
        polarisation_f=told.polarisation_f_per_ah / per_ohm,
        diffusion_ohm=diffusion_ohm,
        diffusion_f=told.diffusion_s / diffusion_ohm,
        gassing_a=told.gassing_a_per_ah * nominal_ah,
        gassing_v=(_LFP_GASSING_V if lithium else told.gassing_v) * scale,
        gassing_v_per_degc=0.0 if lithium else told.gassing_v_per_degc * scale,
        gassing_per_v=_LN10 / (told.gassing_v_per_decade * scale),
        thermoneutral_v=0.0 if lithium else told.thermoneutral_v * scale,
        self_discharge_per_s=told.self_discharge_per_day / _DAY_S * (_TIGHT if tight else 1),
        heat_j_per_k=told.heat_j_per_k_ah * nominal_ah * scale,
    )


_LEAD_CELLS: Final = 6
_LFP_CELLS: Final = 4
_LFP_OHM_AH: Final = 0.6  # polarisation of a 12 V bank times its capacity, either way
_LFP_DIFFUSION: Final = 0.3
_LFP_GASSING_V: Final = 16.0  # 4.0 V a cell: what flows there spoils the cells and is heat
