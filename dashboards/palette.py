"""The board's few colours: paper and slate, water blue for what is measured, one signal colour for alarms.

Every text colour keeps a contrast of at least 4.5 : 1 on the paper; a test computes it.
"""

from __future__ import annotations

from typing import Final

PAPER: Final = "#f7f3ea"
STONE: Final = "#e6dfd0"  # masonry, floors, the ground of a chart's unmeasured time
JOINT: Final = "#c9bfa9"  # between the stones
SLATE: Final = "#26323a"  # lines and text
QUIET: Final = "#58636b"  # small print and axes
WATER: Final = "#14577f"  # what is measured
WASH: Final = "#b9d3df"  # water that is drawn, not measured
STALE: Final = "#625f5b"  # what was measured too long ago
SIGNAL: Final = "#a8231c"  # alarms, never without a word

TEXT_COLOURS: Final = {"slate": SLATE, "quiet": QUIET, "water": WATER, "stale": STALE, "signal": SIGNAL}
