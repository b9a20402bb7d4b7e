"""The marks that the drawings of these notes are made of; colours are the board's own (dashboards/palette.py).

Heavy lines carry power, thin blue ones only sense. A rectangle is a resistor, one with a line through it a fuse, one
with two blue taps a shunt.
"""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))

import palette as c

__all__ = ["Sheet", "c"]
Point = tuple[float, float]
_POWER: Final = 3.0
_SENSE: Final = 1.6
_LINE: Final = 1.25  # distance of lines of text, in heights


class Sheet:
    """One drawing. Coordinates in pixels, y downward."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.width = width
        self.height = height
        self.title = title
        self._parts: list[str] = []

    def svg(self) -> str:
        """Return the drawing as a file's text."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" width="{self.width}" '
            f'height="{self.height}" role="img" font-family="Helvetica, Arial, DejaVu Sans, sans-serif">\n'
            f"<title>{escape(self.title)}</title>\n"
            f'<rect width="{self.width}" height="{self.height}" fill="{c.PAPER}"/>\n'
        )
        return head + "\n".join(self._parts) + "\n</svg>\n"

    def text(  # noqa: PLR0917 - what every line of words has
        self, x: float, y: float, words: str, size: float = 14, colour: str = c.SLATE, at: str = "start"
    ) -> None:
        """Write one or more lines, the first with its foot at y. at: which end of the line stands at x."""
        for number, line in enumerate(words.split("\n")):
            foot = y + number * size * _LINE
            self._parts.append(
                f'<text x="{x:g}" y="{foot:g}" font-size="{size:g}" fill="{colour}" text-anchor="{at}">{escape(line)}</text>'
            )

    def wire(self, *points: Point, sense: bool = False) -> None:
        """Draw a conductor along points."""
        way = " ".join(f"{x:g},{y:g}" for x, y in points)
        colour, wide = (c.WATER, _SENSE) if sense else (c.SLATE, _POWER)
        self._parts.append(
            f'<polyline points="{way}" fill="none" stroke="{colour}" stroke-width="{wide}" stroke-linejoin="round"/>'
        )

    def dot(self, x: float, y: float, *, sense: bool = False) -> None:
        """Mark a joint."""
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="4.5" fill="{c.WATER if sense else c.SLATE}"/>')

    def box(  # noqa: PLR0917 - what every part has
        self, x: float, y: float, w: float, h: float, words: str = "", size: float = 14
    ) -> None:
        """Draw a part as a box with words in its middle."""
        self._parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="4" fill="{c.STONE}" stroke="{c.SLATE}" stroke-width="2"/>'
        )
        if words:
            lines = words.count("\n")
            self.text(x + w / 2, y + h / 2 + 0.35 * size - lines * size * _LINE / 2, words, size, at="middle")

    def circle(self, x: float, y: float, r: float, words: str = "") -> None:
        """Draw a machine."""
        self._parts.append(
            f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" fill="{c.STONE}" stroke="{c.SLATE}" stroke-width="2"/>'
        )
        if words:
            self.text(x, y + 5 - words.count("\n") * 8.75, words, at="middle")

    def resistor(
        self, x: float, y: float, *, upright: bool = False, sense: bool = False, long: float = 44
    ) -> None:
        """Draw a resistor with its middle at a point."""
        w, h = (16.0, long) if upright else (long, 16.0)
        self._parts.append(
            f'<rect x="{x - w / 2:g}" y="{y - h / 2:g}" width="{w:g}" height="{h:g}" fill="{c.PAPER}" '
            f'stroke="{c.WATER if sense else c.SLATE}" stroke-width="2"/>'
        )

    def fuse(self, x: float, y: float, *, upright: bool = False, sense: bool = False) -> None:
        """Draw a fuse with its middle at a point: a rectangle with the wire through it."""
        self.resistor(x, y, upright=upright, sense=sense, long=34)
        half = 17
        ends = ((x, y - half), (x, y + half)) if upright else ((x - half, y), (x + half, y))
        self.wire(*ends, sense=True) if sense else self._thin(*ends)

    def shunt(self, x: float, y: float, *, upright: bool = False, taps: int = 1) -> tuple[Point, Point]:
        """Draw a shunt; return its two taps. taps: on which side, 1 right or below, -1 left or above."""
        w, h = (24.0, 56.0) if upright else (56.0, 24.0)
        self._parts.append(
            f'<rect x="{x - w / 2:g}" y="{y - h / 2:g}" width="{w:g}" height="{h:g}" fill="{c.WASH}" stroke="{c.SLATE}" stroke-width="2"/>'
        )
        if upright:
            pair = ((x + taps * w / 2, y - 16.0), (x + taps * w / 2, y + 16.0))
        else:
            pair = ((x - 16.0, y + taps * h / 2), (x + 16.0, y + taps * h / 2))
        for tap in pair:
            self.dot(*tap, sense=True)
        return pair

    def capacitor(self, x: float, y: float) -> None:
        """Draw a capacitor in an upright wire: interrupt the wire from y - 6 to y + 6."""
        for line in (y - 6, y + 6):
            self.wire((x - 18, line), (x + 18, line))

    def diode(self, x: float, y: float, *, sense: bool = True) -> None:
        """Draw a diode in an upright wire that conducts upward."""
        colour = c.WATER if sense else c.SLATE
        self._parts.append(
            f'<path d="M{x - 10:g},{y + 9:g} L{x + 10:g},{y + 9:g} L{x:g},{y - 9:g} Z M{x - 10:g},{y - 9:g} L{x + 10:g},{y - 9:g}" '
            f'fill="{c.PAPER}" stroke="{colour}" stroke-width="2"/>'
        )

    def ground(self, x: float, y: float, *, sense: bool = True) -> None:
        """Draw the node's ground under a point."""
        for number, half in enumerate((13, 8, 3)):
            self.wire((x - half, y + 5 * number), (x + half, y + 5 * number), sense=sense)

    def warn(self, x: float, y: float, words: str) -> None:
        """Write a caution."""
        self.text(x, y, words, 14, c.SIGNAL)

    def _thin(self, a: Point, b: Point) -> None:
        self._parts.append(
            f'<line x1="{a[0]:g}" y1="{a[1]:g}" x2="{b[0]:g}" y2="{b[1]:g}" stroke="{c.SLATE}" stroke-width="2"/>'
        )
