"""The board's few colours: the same as on paper."""

from __future__ import annotations

from typing import Final

from wheelpit.report.ink import JOINT, OAK, PAPER, QUIET, SIGNAL, SLATE, STALE, STONE, WASH, WATER

__all__ = ["JOINT", "OAK", "PAPER", "QUIET", "SIGNAL", "SLATE", "STALE", "STONE", "WASH", "WATER"]

TEXT_COLOURS: Final = {
    "slate": SLATE,
    "quiet": QUIET,
    "water": WATER,
    "oak": OAK,
    "stale": STALE,
    "signal": SIGNAL,
}
