"""Pieces of a plant.toml that tests add to the demo plant's."""

from __future__ import annotations

from typing import Final

STAGE: Final = """
[[sensor]]
channel = "stage_m"
node = "wheel"
kind = "linear"
pin = 28
mv_per_unit = 8000.0
at = "headrace"
"""
RATING: Final = """
[weir]
kind = "rating"
coefficient_l_s = 320.0
zero_m = -0.02
exponent = 2.4
from_m = 0.1
to_m = 0.3
flow_u_pct = 4.0
"""
