"""The board's colours as a page uses them: by name, so that the browser takes those of its light or its dark ground.

Where no page has defined them, as in a drawing by itself, they are those of paper.
"""

from __future__ import annotations

from typing import Final

from palette import LIGHT


def _ink(name: str) -> str:
    return f"var(--{name},{LIGHT[name]})"


SLATE: Final = _ink("slate")
QUIET: Final = _ink("quiet")
WATER: Final = _ink("water")
STALE: Final = _ink("stale")
SIGNAL: Final = _ink("signal")
PAPER: Final = _ink("paper")
STONE: Final = _ink("stone")
JOINT: Final = _ink("joint")
WASH: Final = _ink("wash")
