"""Flow from stage: the power law of a weir, a channel's control or a gauged section, and how sure it is."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from wheelpit.physics.errors import require

LEAST_EXPONENT: Final = 0.3  # a drowned sluice has 0.5, a rectangular weir 1.5, a V-notch 2.5
MOST_EXPONENT: Final = 6.0
_MOST_COEFFICIENT: Final = 1e4
_LEVELS_M: Final = (-1000.0, 9000.0)  # a gauge may count from the sea
_MOST_DEPTH_M: Final = 30.0
_MOST_FLOW_M3_S: Final = 1e5


class RatingLaw(NamedTuple):
    """A stage-discharge relation, Q = C (h - h0)^n.

    `coefficient_m3_s` is C, the flow one metre above h0 [m3/s]; `zero_m` is h0, the effective level of zero flow [m];
    `exponent` is n [-].
    """

    coefficient_m3_s: float
    zero_m: float
    exponent: float


def rating_flow(law: RatingLaw, stage_m: float) -> float:
    """Flow at a level, by a stage-discharge relation.

    Q = C (h - h0)^n; 0 at and below h0

    Args:
        law: The relation [m3/s, m, -].
        stage_m: Level h, from the zero from which h0 is counted [m].

    Returns:
        Flow [m3/s].

    Limits:
        C above 0 to 1e4 m3/s, h0 -1000 to 9000 m, n 0.3 to 6; h to 30 m above h0. Within the levels at which it was
        gauged (not checked here: see `extrapolation_u`), and while what controls the flow stays as it was then.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] ISO 18320 and, before it, ISO 1100-2, determination of the stage-discharge relationship (from memory).
    """
    _require_law(law)
    require("stage_m", stage_m, -math.inf, law.zero_m + _MOST_DEPTH_M, "m")
    depth_m = stage_m - law.zero_m
    return law.coefficient_m3_s * math.pow(depth_m, law.exponent) if depth_m > 0 else 0.0


def rating_stage(law: RatingLaw, flow_m3_s: float) -> float:
    """Level at which so much flows: `rating_flow` turned round.

    h = h0 + (Q / C)^(1/n)

    Args:
        law: The relation [m3/s, m, -].
        flow_m3_s: Flow Q [m3/s].

    Returns:
        Level [m]; h0 for no flow.

    Limits:
        Those of `rating_flow`; Q 0 to 1e5 m3/s.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] As `rating_flow`.
    """
    _require_law(law)
    require("flow_m3_s", flow_m3_s, 0.0, _MOST_FLOW_M3_S, "m3/s")
    return law.zero_m + math.pow(flow_m3_s / law.coefficient_m3_s, 1.0 / law.exponent)


def rating_slope(law: RatingLaw, stage_m: float) -> float:
    """How much the flow changes with the level, as a share of it: what an error of the level costs.

    (dQ/dh) / Q = n / (h - h0)

    Args:
        law: The relation [m3/s, m, -].
        stage_m: Level h, above h0 [m].

    Returns:
        Share of the flow for each metre of level [1/m].

    Limits:
        Those of `rating_flow`; h at least 0.1 mm above h0.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100 (GUM), 5.1: the sensitivity of Q = C (h - h0)^n; for a V-notch it is ISO 1438's 2.5 u(h)/h.
    """
    _require_law(law)
    require("stage_m", stage_m, law.zero_m + 1e-4, law.zero_m + _MOST_DEPTH_M, "m")
    return law.exponent / (stage_m - law.zero_m)


def extrapolation_u(law: RatingLaw, stage_m: float, from_m: float, to_m: float, exponent_u: float) -> float:
    """Relative standard uncertainty that a flow has more, because its level lies outside what was gauged.

    u = u(n) |ln((h - h0) / (e - h0))|, e the gauged level that is nearest

    The relation is held at its edge, and beyond it the exponent may be another: the section is.

    Args:
        law: The relation [m3/s, m, -].
        stage_m: Level h, above h0 [m].
        from_m: The lowest level that was gauged, above h0 [m].
        to_m: The highest level that was gauged [m].
        exponent_u: Standard uncertainty u(n) of the exponent out there [-].

    Returns:
        Relative standard uncertainty [-]; 0 within the gauged levels.

    Limits:
        Those of `rating_flow`; h and `from_m` at least 0.1 mm above h0, `to_m` not below `from_m`; u(n) 0 to 5.

    Raises:
        PhysicsError: A value is outside the limits.

    References:
        [1] JCGM 100 (GUM), 5.1: the sensitivity of ln Q to n, at a relation that passes through its last gauging.
    """
    _require_law(law)
    lowest, highest = law.zero_m + 1e-4, law.zero_m + _MOST_DEPTH_M
    require("stage_m", stage_m, lowest, highest, "m")
    require("from_m", from_m, lowest, highest, "m")
    require("to_m", to_m, from_m, highest, "m")
    require("exponent_u", exponent_u, 0.0, 5.0)
    edge_m = min(max(stage_m, from_m), to_m)
    return exponent_u * abs(math.log((stage_m - law.zero_m) / (edge_m - law.zero_m)))


def _require_law(law: RatingLaw) -> None:
    require("coefficient_m3_s", law.coefficient_m3_s, 1e-9, _MOST_COEFFICIENT, "m3/s")
    require("zero_m", law.zero_m, *_LEVELS_M, "m")
    require("exponent", law.exponent, LEAST_EXPONENT, MOST_EXPONENT)
