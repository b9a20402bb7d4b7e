"""What a level is measured at, as `plant.toml` tells it: the `[weir]` table by its kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from wheelpit.physics.rating import LEAST_EXPONENT, MOST_EXPONENT
from wheelpit.plant.sensors import Told


@dataclass(frozen=True, slots=True, kw_only=True)
class NotchWeir:
    """The thin-plate V-notch weir that `stage_m` is measured at, fully contracted."""

    kind: Annotated[Literal["v-notch"], Told("the kind of weir")]
    notch_deg: Annotated[float, Told("angle of the notch", 25, 100, "°")]
    crest_height_m: Annotated[float, Told("height of the vertex above the channel's floor", 0.45, 20, "m")]
    channel_width_m: Annotated[float, Told("width of the approach channel", 0.9, 50, "m")]


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedWeir:
    """What `stage_m` is measured at, by its own gaugings: flow = coefficient_l_s (stage - zero_m) ^ exponent.

    `wheelpit commission` fits and writes it. Outside `from_m` to `to_m` the relation is carried on, and how sure it
    is falls as the exponent's uncertainty out there, `exponent_u`, has it.
    """

    kind: Annotated[Literal["rating"], Told("the kind of weir")]
    coefficient_l_s: Annotated[float, Told("flow one metre above zero_m", 0.01, 1e6, "L/s")]
    zero_m: Annotated[float, Told("level at which flow begins, on the sensor's scale", -10, 30, "m")]
    exponent: Annotated[
        float, Told("how steeply the flow rises with the level", LEAST_EXPONENT, MOST_EXPONENT)
    ]
    from_m: Annotated[float, Told("lowest level at which it was gauged", -10, 30, "m")]
    to_m: Annotated[float, Told("highest level at which it was gauged", -10, 30, "m")]
    flow_u_pct: Annotated[float, Told("standard uncertainty of a flow between them", 0.1, 50, "%")]
    exponent_u: Annotated[float, Told("standard uncertainty of the exponent beyond them", 0, 5)] = 0.3


Weir = NotchWeir | RatedWeir
