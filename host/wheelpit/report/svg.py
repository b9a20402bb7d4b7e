"""A small drawing board: shapes in, one self-contained SVG picture out.

Lengths are in the units of the drawing's own box. Text is escaped here and nowhere else.
"""

from __future__ import annotations

from html import escape
from typing import Final, Literal

from wheelpit.report import ink

Anchor = Literal["start", "middle", "end"]

# Fills that tell states apart without colour: id -> (ground, what is drawn on it).
_PATTERNS: Final[dict[str, tuple[str, str]]] = {
    "hatch-oak": (ink.PAPER, f'<path d="M0 6L6 0" stroke="{ink.OAK}" stroke-width="0.8"/>'),
    "hatch-water": (ink.WASH, f'<path d="M0 6L6 0" stroke="{ink.WATER}" stroke-width="1"/>'),
    "hatch-slate": (ink.PAPER, f'<path d="M0 0L6 6" stroke="{ink.SLATE}" stroke-width="1"/>'),
    "dots": (ink.PAPER, f'<circle cx="3" cy="3" r="1.1" fill="{ink.SLATE}"/>'),
    "level": (ink.PAPER, f'<path d="M0 3H6" stroke="{ink.QUIET}" stroke-width="1"/>'),
}


def number(value: float) -> str:
    """Return a coordinate with one decimal, without a useless zero."""
    return f"{value:.1f}".removesuffix(".0")


class Drawing:
    """One picture.

    Args:
        width, height: of its box.
        told: what a person who cannot see it is told.

    """

    def __init__(self, width: float, height: float, told: str) -> None:
        self.width: Final = width
        self.height: Final = height
        self._told = told
        self._parts: list[str] = []
        self._used: set[str] = set()

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        fill: str,
        *,
        line: str | None = None,
        dashed: bool = False,
        told: str = "",
    ) -> None:
        """Draw a box; `fill` is a colour or the name of a pattern, `told` appears when it is pointed at."""
        if fill in _PATTERNS:
            self._used.add(fill)
            fill = f"url(#{fill})"
        dash = ' stroke-dasharray="4 3"' if dashed else ""
        edge = "" if line is None else f' stroke="{line}"{dash}'
        shape = (
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(max(0.0, width))}" '
            f'height="{number(max(0.0, height))}" fill="{fill}"{edge}'
        )
        self._parts.append(f"{shape}><title>{escape(told)}</title></rect>" if told else f"{shape}/>")

    def line(
        self,
        points: list[tuple[float, float]],
        colour: str = ink.SLATE,
        width: float = 1.0,
        *,
        dashed: bool = False,
    ) -> None:
        """Draw a line through points."""
        path = "L".join(f"{number(x)} {number(y)}" for x, y in points)
        dash = ' stroke-dasharray="5 3"' if dashed else ""
        self._parts.append(
            f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="{number(width)}"{dash}/>'
        )

    def area(self, points: list[tuple[float, float]], fill: str) -> None:
        """Fill the shape between points."""
        path = "L".join(f"{number(x)} {number(y)}" for x, y in points)
        self._parts.append(f'<path d="M{path}Z" fill="{fill}"/>')

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: Anchor = "start",
        colour: str = ink.SLATE,
        size: float = 11.0,
        strong: bool = False,
    ) -> None:
        """Write words with their foot at `y`."""
        weight = ' font-weight="600"' if strong else ""
        self._parts.append(
            f'<text x="{number(x)}" y="{number(y)}" text-anchor="{anchor}" fill="{colour}" '
            f'font-size="{number(size)}"{weight}>{escape(words)}</text>'
        )

    def render(self) -> str:
        """Return the picture."""
        patterns = "".join(
            f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">'
            f'<rect width="6" height="6" fill="{_PATTERNS[name][0]}"/>{_PATTERNS[name][1]}</pattern>'
            for name in sorted(self._used)
        )
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(self.width)} {number(self.height)}" '
            f'role="img" aria-label="{escape(self._told)}" font-family="inherit">'
            f"{f'<defs>{patterns}</defs>' if patterns else ''}{''.join(self._parts)}</svg>"
        )
