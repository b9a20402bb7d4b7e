"""The wheel's geometry and how it is drawn: buckets, the water in them, and the turning.

Angles are in degrees after top, clockwise, as the millwright counts them from where the water enters; points are
in the drawing's sense, x to the right and y down, with the axle at (0, 0). The rim has radius 1 until it is built.
"""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from wheelpit.plant.description import Wheel

Point = tuple[float, float]

# How full a drawn bucket is. A sketch: nothing measures it.
SKETCH_FILL: Final = 0.42

# While the wheel turns by one bucket the water in it stays level. It is drawn in so many steps: with four the
# surface is never more than half a step off, 2.5 degrees for an 18 bucket wheel.
STEPS: Final = 4

_ELBOW: Final = 0.45  # where a bucket's wall bends, as a share of the depth of the shroud
_THINNEST_SHROUD: Final = 0.06
_THICKEST_SHROUD: Final = 0.40
_ARC_POINTS: Final = 3
_LOWEST_POINT_DEG: Final = 180.0
_ARMS: Final = 8


def sole_radius(built: Wheel) -> float:
    """Return the inner radius of the shroud as a share of the wheel's radius.

    The buckets together fill the ring between sole and rim: `buckets x bucket_l = pi (R^2 - r^2) width`. Kept
    between 0.60 and 0.94 so that a volume mistyped in plant.toml still gives a drawing.
    """
    radius_m = built.diameter_m / 2
    ring_m2 = built.buckets * built.bucket_l / 1000 / built.width_m
    share = 1 - ring_m2 / (pi * radius_m**2)
    return min(max(sqrt(max(share, 0.0)), 1 - _THICKEST_SHROUD), 1 - _THINNEST_SHROUD)


def at(radius: float, angle_deg: float) -> Point:
    """Return the point at a radius and an angle after top."""
    return (radius * sin(radians(angle_deg)), -radius * cos(radians(angle_deg)))


def wall(angle_deg: float, pitch_deg: float, sole: float) -> list[Point]:
    """Return a bucket's wall: from the sole straight out, then bent back towards the bucket that follows."""
    elbow = sole + _ELBOW * (1 - sole)
    return [at(sole, angle_deg), at(elbow, angle_deg), at(1.0, angle_deg - pitch_deg)]


def cell(angle_deg: float, pitch_deg: float, sole: float) -> list[Point]:
    """Return the outline of the bucket whose leading wall stands on the sole at `angle_deg`."""
    lead = wall(angle_deg, pitch_deg, sole)
    trail = wall(angle_deg - pitch_deg, pitch_deg, sole)
    step = pitch_deg / (_ARC_POINTS + 1)
    mouth = [at(1.0, angle_deg - pitch_deg - i * step) for i in range(1, _ARC_POINTS + 1)]
    floor = [at(sole, angle_deg - pitch_deg + i * step) for i in range(1, _ARC_POINTS + 1)]
    return [*lead, *mouth, *reversed(trail), *floor]


def area(outline: list[Point]) -> float:
    """Return the area of a simple polygon, by the trapezoid rule of its edges."""
    return abs(sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in _edges(outline))) / 2


def below(outline: list[Point], level: float) -> list[Point]:
    """Return the part of a polygon at or below a level, which in the drawing means y >= level."""
    kept: list[Point] = []
    for (x1, y1), (x2, y2) in _edges(outline):
        if y1 >= level:
            kept.append((x1, y1))
        if (y1 >= level) != (y2 >= level):
            kept.append((x1 + (level - y1) / (y2 - y1) * (x2 - x1), level))
    return kept


def water(angle_deg: float, pitch_deg: float, sole: float, fill: float) -> list[Point]:
    """Return the water in a bucket: level on top, `fill` of its area, less what has run over its lip.

    Args:
        angle_deg: Where the bucket's leading wall stands on the sole.
        pitch_deg: Angle from one bucket to the next.
        sole: Inner radius of the shroud, as a share of the wheel's.
        fill: Share of the bucket that was filled, 0 to 1.
    """
    outline = cell(angle_deg, pitch_deg, sole)
    wanted = fill * area(outline)
    high, low = min(y for _, y in outline), max(y for _, y in outline)
    for _ in range(40):
        middle = (high + low) / 2
        if area(below(outline, middle)) > wanted:
            high = middle
        else:
            low = middle
    lip = max(at(1.0, angle_deg - pitch_deg)[1], at(1.0, angle_deg - 2 * pitch_deg)[1])
    return below(outline, max(high, lip))


def loaded(built: Wheel, turned_deg: float) -> list[list[Point]]:
    """Return the water in every bucket that holds some when the wheel has turned by `turned_deg`."""
    pitch_deg = 360 / built.buckets
    sole = sole_radius(built)
    held = []
    for bucket in range(built.buckets):
        lead_deg = (bucket * pitch_deg + turned_deg) % 360
        mouth_deg = lead_deg - 1.5 * pitch_deg
        if built.entry_deg <= mouth_deg < _LOWEST_POINT_DEG:
            outline = water(lead_deg, pitch_deg, sole, SKETCH_FILL)
            if outline:
                held.append(outline)
    return held


def turn_s(rpm: float) -> float:
    """Return the time of one turn in seconds: 60 / rpm."""
    return 60 / rpm


def draw(built: Wheel, radius: float, rpm: float) -> str:
    """Return the wheel as SVG around its axle, turning at `rpm`; at 0 it stands where it is.

    The turning is a CSS animation whose duration is one turn. A standing wheel carries the same animation, paused,
    so that the page can hand the angle on from one drawing to the next.
    """
    pitch_deg = 360 / built.buckets
    sole = sole_radius(built)
    one_turn_s = turn_s(rpm) if rpm > 0 else 1.0
    still = "" if rpm > 0 else " still"
    walls = "".join(_line(wall(i * pitch_deg, pitch_deg, sole), radius) for i in range(built.buckets))
    arms = "".join(
        _line([at(0.07, i * 360 / _ARMS), at(sole, i * 360 / _ARMS)], radius) for i in range(_ARMS)
    )
    return (
        f'<circle class="line paper" r="{radius:.1f}"/>'
        f"{_water(built, radius, one_turn_s, still)}"
        f'<circle class="line" r="{radius:.1f}"/><circle class="line" r="{radius * sole:.1f}"/>'
        f'<g class="turn{still}" style="animation-duration:{one_turn_s:.4f}s">'
        f'<g class="line">{walls}</g><g class="line arm">{arms}</g>'
        f'<circle class="line stone" r="{radius * 0.07:.1f}"/></g>'
    )


def _water(built: Wheel, radius: float, one_turn_s: float, still: str) -> str:
    pitch_deg = 360 / built.buckets
    pitch_s = one_turn_s / built.buckets
    shown = []
    for step in range(STEPS):
        turned_deg = (step + 0.5) / STEPS * pitch_deg
        polygons = "".join(
            f'<polygon points="{_points([_turned(p, -turned_deg) for p in outline], radius)}"/>'
            for outline in loaded(built, turned_deg)
        )
        # Each step is to be seen in its own part of the bucket's way; a delay below zero starts it in the past.
        delay_s = (step / STEPS - 1) * pitch_s
        shown.append(
            f'<g class="step{still}" style="animation-duration:{pitch_s:.5f}s;'
            f'animation-delay:{delay_s:.5f}s">{polygons}</g>'
        )
    held = " unsure" if still else ""
    return (
        f'<g class="bucketful{still}{held}" style="animation-duration:{pitch_s:.5f}s;'
        f'--pitch:{pitch_deg:.5f}deg">{"".join(shown)}</g>'
    )


def _edges(outline: list[Point]) -> list[tuple[Point, Point]]:
    return list(zip(outline, [*outline[1:], *outline[:1]], strict=True))


def _turned(point: Point, by_deg: float) -> Point:
    x, y = point
    c, s = cos(radians(by_deg)), sin(radians(by_deg))
    return (x * c - y * s, x * s + y * c)


def _points(outline: list[Point], radius: float) -> str:
    return " ".join(f"{x * radius:.1f},{y * radius:.1f}" for x, y in outline)


def _line(points: list[Point], radius: float) -> str:
    return f'<polyline points="{_points(points, radius)}"/>'
