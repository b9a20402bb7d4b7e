"""The flow that a level tells, over whole columns: what every account takes it from."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from wheelpit.plant.description import LinearSensor
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from wheelpit.accounts.tenminutes import Flags, Floats
    from wheelpit.plant.description import Plant
    from wheelpit.plant.rating import StageRating

_SHALLOWEST_M = 1e-3


class WaterFlow(NamedTuple):
    """What some levels tell; not-a-number where no level is known.

    Attributes:
        flow_l_s: The flow [L/s], beyond the rating's range too.
        inside: Where the level lies within that range.
        share_u: Relative standard uncertainty of the flow, the level itself being right [-].
        per_m: By how much the flow changes for a metre of level [L/s/m].

    """

    flow_l_s: Floats
    inside: Flags
    share_u: Floats
    per_m: Floats


def flow_of_stage(rating: StageRating, stage_m: Floats) -> WaterFlow:
    """Return what levels [m] tell by a rating."""
    law = rating.law
    depth = stage_m.astype(np.float64) - law.zero_m
    wet = np.maximum(depth, _SHALLOWEST_M)
    flow = np.where(depth > 0, 1000.0 * law.coefficient_m3_s * np.maximum(depth, 0.0) ** law.exponent, 0.0)
    flow = np.where(np.isfinite(depth), flow, np.nan)
    with np.errstate(invalid="ignore"):
        inside = (stage_m >= rating.from_m) & (stage_m <= rating.to_m)
    edge = np.clip(wet, rating.from_m - law.zero_m, rating.to_m - law.zero_m)
    beyond = rating.exponent_u * np.abs(np.log(wet / edge))
    return WaterFlow(flow, inside, np.hypot(rating.flow_u, beyond), flow * law.exponent / wet)


def wheel_rating(plant: Plant) -> StageRating | None:
    """Return how `stage_m` tells the flow onto the wheel; None where it stands elsewhere, or nothing rates it."""
    sensor = plant.sensor("stage_m")
    if not isinstance(sensor, LinearSensor) or sensor.at != "headrace":
        return None
    return rating_of(plant)
