"""From the level before a weir to the flow, as a plant describes it: the one place where that is worked out.

A V-notch is known by its formula, any other place by its own gaugings; both are one power law, Q = C (h - h0)^n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from wheelpit.physics.flow import LEAST_HEAD_M, MOST_HEAD_M, v_notch_law, v_notch_most_head
from wheelpit.physics.rating import RatingLaw, extrapolation_u, rating_flow, rating_slope, rating_stage
from wheelpit.plant.chain import local_water
from wheelpit.plant.description import NotchWeir

if TYPE_CHECKING:
    from wheelpit.plant.description import Plant

_NOTCH_U: Final = 0.005  # of its coefficient, by ISO 1438
_NOTCH_EXPONENT_U: Final = 0.2  # the nappe clings below its limit, the approach has a speed above; no source
_SHALLOWEST_M: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRating:
    """Flow from level at one place.

    Attributes:
        law: The relation, in m3/s.
        crest_m: Level at which flow begins [m].
        from_m, to_m: Levels between which it holds or was gauged [m].
        flow_u: Relative standard uncertainty of a flow between them; one and the same for every flow [-].
        exponent_u: Standard uncertainty of the exponent beyond them [-].
        words: What it is.

    """

    law: RatingLaw
    crest_m: float
    from_m: float
    to_m: float
    flow_u: float
    exponent_u: float
    words: str

    def flow_l_s(self, stage_m: float) -> float:
        """Return the flow at a level [L/s], beyond `from_m` to `to_m` too."""
        return 1000.0 * rating_flow(self.law, stage_m)

    def stage_m(self, flow_l_s: float) -> float:
        """Return the level at a flow [m]."""
        return max(rating_stage(self.law, flow_l_s / 1000.0), self.crest_m)

    def slope(self, stage_m: float) -> float:
        """Return by what share the flow changes for a metre of level [1/m]."""
        return rating_slope(self.law, max(stage_m, self.law.zero_m + _SHALLOWEST_M))

    def share_u(self, stage_m: float) -> float:
        """Return the relative standard uncertainty of the flow at a level, the level itself being right."""
        level_m = max(stage_m, self.law.zero_m + _SHALLOWEST_M)
        beyond = extrapolation_u(self.law, level_m, self.from_m, self.to_m, self.exponent_u)
        return math.hypot(self.flow_u, beyond)


@lru_cache(maxsize=16)
def rating_of(plant: Plant) -> StageRating | None:
    """Return how a plant's `stage_m` gives a flow, or None where nothing rates it."""
    told = plant.weir
    if told is None:
        return None
    if isinstance(told, NotchWeir):
        gravity = local_water(plant)[1]
        most_m = v_notch_most_head(told.crest_height_m, told.channel_width_m)
        return notch_rating(told.notch_deg, gravity, most_m)
    return StageRating(
        law=RatingLaw(told.coefficient_l_s / 1000.0, told.zero_m, told.exponent),
        crest_m=told.zero_m,
        from_m=told.from_m,
        to_m=told.to_m,
        flow_u=told.flow_u_pct / 100.0,
        exponent_u=told.exponent_u,
        words=f"its own rating, gauged from {told.from_m:g} to {told.to_m:g} m",
    )


def notch_rating(notch_deg: float, gravity_m_s2: float, most_m: float = MOST_HEAD_M) -> StageRating:
    """Return the rating of a V-notch of an angle [°], with local gravity [m/s2], up to a head [m]."""
    return StageRating(
        law=v_notch_law(notch_deg, gravity_m_s2=gravity_m_s2),
        crest_m=0.0,
        from_m=LEAST_HEAD_M,
        to_m=most_m,
        flow_u=_NOTCH_U,
        exponent_u=_NOTCH_EXPONENT_U,
        words=f"a {notch_deg:g}° notch",
    )
