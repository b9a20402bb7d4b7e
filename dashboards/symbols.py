"""The parts of the drawing right of the wheel, each as a few plain lines around its own origin.

Bridge and converter carry the signs that circuit diagrams use for them (IEC 60617: a square with a diagonal, the
kind of current before and after it); loads are the lamp sign, the diversion load the resistor.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.plant.description import Battery

_CELL_V: Final = {"flooded": 2.0, "sealed": 2.0, "lfp": 3.0}  # nominal volts of the bank per cell in series


def text(x: float, y: float, words: str, kind: str = "name", anchor: str = "middle") -> str:
    """Return a line of text; `words` may hold anything and is escaped."""
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def path(d: str, kind: str = "line") -> str:
    """Return a line that is not filled."""
    return f'<path class="{kind}" d="{d}"/>'


def slab(x: float, y: float, width: float, height: float, kind: str = "line stone") -> str:
    """Return a rectangle with its top left corner at (x, y)."""
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"/>'


def alternator(x: float, y: float, radius: float, foot_y: float) -> str:
    """Return the alternator with its shaft at (x, y), standing on a plinth whose foot is at `foot_y`."""
    plinth = foot_y - 10
    half = radius * 1.15
    fins = "".join(
        f"M{x + i * radius * 0.42:.1f} {y - radius * 0.82:.1f}V{y - radius * 0.52:.1f}" for i in (-1, 0, 1)
    )
    return (
        f"{slab(x - half, plinth, 2 * half, 10)}"
        f"{path(f'M{x - radius * 0.7:.1f} {y + radius * 0.7:.1f}L{x - radius:.1f} {plinth:.1f}')}"
        f"{path(f'M{x + radius * 0.7:.1f} {y + radius * 0.7:.1f}L{x + radius:.1f} {plinth:.1f}')}"
        f'<circle class="line paper" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
        f"{path(fins, 'line thin')}"
    )


def square(x: float, y: float, size: float, before: str, after: str) -> str:
    """Return a converter's sign: a square around (x, y) with a diagonal and the currents before and after."""
    h = size / 2
    return (
        f"{slab(x - h, y - h, size, size, 'line paper')}"
        f"{path(f'M{x - h:.1f} {y + h:.1f}L{x + h:.1f} {y - h:.1f}', 'line thin')}"
        f"{text(x - h * 0.45, y - h * 0.2, before, 'sign')}{text(x + h * 0.45, y + h * 0.7, after, 'sign')}"
    )


def bank(battery: Battery, x: float, y: float, width: float, height: float) -> str:
    """Return the bank from the side, top left corner at (x, y): its cells, their posts and links.

    A flooded cell shows the two marks between which its acid stands. The marks are no state of charge.
    """
    cells = round(battery.nominal_v / _CELL_V[battery.chemistry])
    cell = width / cells
    parts = []
    for i in range(cells):
        left = x + i * cell
        parts.append(slab(left, y, cell, height, "line paper"))
        if battery.chemistry == "flooded":
            upper, lower = y + height * 0.26, y + height * 0.38
            parts.append(slab(left + 2, upper, cell - 4, lower - upper, "acid"))
            parts.append(
                path(
                    f"M{left + 2:.1f} {upper:.1f}h{cell - 4:.1f}m0 {lower - upper:.1f}h{4 - cell:.1f}",
                    "line thin",
                )
            )
        parts.extend(path(f"M{left + cell * post:.1f} {y:.1f}v-6") for post in (0.27, 0.73))
        if i:
            parts.append(path(f"M{left - cell * 0.27:.1f} {y - 6:.1f}H{left + cell * 0.27:.1f}"))
    return "".join(parts)


def lamp(x: float, y: float, radius: float) -> str:
    """Return the lamp sign, a circle with a cross, around (x, y)."""
    d = radius * 0.707
    return (
        f'<circle class="line paper" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
        f"{path(f'M{x - d:.1f} {y - d:.1f}L{x + d:.1f} {y + d:.1f}M{x + d:.1f} {y - d:.1f}L{x - d:.1f} {y + d:.1f}', 'line thin')}"
    )


def heater(x: float, y: float, height: float) -> str:
    """Return the resistor sign, upright, its upper end at (x, y)."""
    fins = "".join(f"M{x + 12:.1f} {y + height * f:.1f}h7" for f in (0.2, 0.4, 0.6, 0.8))
    return f"{slab(x - 8, y, 16, height, 'line paper')}{path(fins, 'line thin')}"


def shunt(x: float, y: float, *, upright: bool) -> str:
    """Return a shunt: two short bars across the wire at (x, y)."""
    if upright:
        return path(f"M{x - 5:.1f} {y - 3:.1f}h10M{x - 5:.1f} {y + 3:.1f}h10", "line thin")
    return path(f"M{x - 3:.1f} {y - 5:.1f}v10M{x + 3:.1f} {y - 5:.1f}v10", "line thin")


def earth(x: float, y: float) -> str:
    """Return the common negative under a load: three shrinking bars at (x, y)."""
    return path(f"M{x - 9:.1f} {y:.1f}h18M{x - 6:.1f} {y + 4:.1f}h12M{x - 3:.1f} {y + 8:.1f}h6", "line thin")


def flag(x: float, y: float, words: str) -> str:
    """Return an alarm's mark around (x, y): a signal-coloured tag with words in it."""
    width = 18 + 7.4 * len(words)
    return f"{slab(x - width / 2, y - 12, width, 24, 'tag')}{text(x, y + 4.5, words, 'tagword')}"


def masonry(left: float, top: float, right: float, bottom: float, course: float) -> str:
    """Return the courses of a wall as thin lines, every other one shifted by half a stone."""
    lines = []
    row, y = 0, top + course
    while y < bottom:
        lines.append(f"M{left:.1f} {y:.1f}H{right:.1f}")
        x = left + course * (1.0 if row % 2 else 1.9)
        while x < right:
            lines.append(f"M{x:.1f} {y - course:.1f}V{y:.1f}")
            x += course * 1.9
        row, y = row + 1, y + course
    return path("".join(lines), "line joint")
