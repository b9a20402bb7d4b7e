"""The board's few colours: the same as on paper, and what stands for each of them on a dark ground."""

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

LIGHT: Final = {**TEXT_COLOURS, "paper": PAPER, "stone": STONE, "joint": JOINT, "wash": WASH}
DARK: Final = {
    "slate": "#e6dfd0",
    "quiet": "#a9b0ae",
    "water": "#86bfdc",
    "oak": "#d3ad6c",
    "stale": "#a8a39c",
    "signal": "#f28b80",
    "paper": "#1c2429",
    "stone": "#2b353b",
    "joint": "#4a565d",
    "wash": "#28506a",
}


def variables() -> str:
    """Return the colours as CSS variables, --slate, --quiet and so on, each for a light ground and for a dark one.

    The browser takes the one that goes with the page around what it colours: Streamlit sets `color-scheme` there.
    """
    return "".join(f"--{name}:light-dark({light},{DARK[name]});" for name, light in LIGHT.items())
