"""The few colours of paper and screen: water blue for the measured, oak for the modelled, one signal for alarms.

Every text colour keeps a contrast of at least 4.5 : 1 on the paper; a test computes it.
"""

from __future__ import annotations

from typing import Final

PAPER: Final = "#f7f3ea"
STONE: Final = "#e6dfd0"  # masonry, floors, the ground of time that was not measured
JOINT: Final = "#c9bfa9"  # between the stones; rules and grids
SLATE: Final = "#26323a"  # lines and text
QUIET: Final = "#58636b"  # small print and axes
WATER: Final = "#14577f"  # what is measured
WASH: Final = "#b9d3df"  # water that is drawn, not measured
OAK: Final = "#7a5a26"  # what is modelled, always dashed or hatched as well
STALE: Final = "#625f5b"  # what was measured too long ago
SIGNAL: Final = "#a8231c"  # alarms, never without a word
