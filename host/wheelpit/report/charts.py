"""The charts of a printed report, from plain numbers: days, the staircase of powers, a day's hours, a curve.

What was not measured stays empty. What is modelled is oak and dashed. An interval is drawn wherever one is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.figure import COVERAGE_FACTOR
from wheelpit.report import ink
from wheelpit.report.svg import Drawing

if TYPE_CHECKING:
    from collections.abc import Sequence

WIDTH: Final = 720.0
_LEFT: Final = 48.0
_RIGHT: Final = 18.0
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_LINES: Final = 4  # grid lines above zero, about


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One day. `low` and `high` are the ends of its 95 % interval; None is not measured at all."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    whole: bool = True  # measured for the whole day; otherwise hollow
    ahead: bool = False  # it has not come yet: nothing is drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One stage of the staircase: the power or energy that arrives there."""

    name: str
    value: float
    u: float
    modelled: bool
    loss_name: str = ""  # where the drop down to this stage went


@dataclass(frozen=True, slots=True)
class Part:
    """One state in a strip: the share of the period, 0 to 1, and how it is filled."""

    name: str
    share: float
    fill: str


def nice_step(most: float) -> float:
    """Return a round distance of grid lines for values up to `most`."""
    if most <= 0 or not math.isfinite(most):
        return 1.0
    raw = most / _LINES
    power = 10.0 ** math.floor(math.log10(raw))
    return float(next(step * power for step in _STEPS if raw <= step * power * (1 + 1e-9)))


def plain(value: float) -> str:
    """Return a number for a grid line: no more digits than it needs."""
    return f"{value:g}"


def _grid(drawing: Drawing, top: float, bottom: float, most: float, unit: str) -> float:
    """Draw a grid from zero up to `most` and return how many units of the drawing one unit of the value takes."""
    step = nice_step(most)
    highest = step * math.ceil(most / step - 1e-9) if most > 0 else step
    scale = (bottom - top) / highest
    for n in range(round(highest / step) + 1):
        y = bottom - n * step * scale
        drawing.line([(_LEFT, y), (WIDTH - _RIGHT, y)], ink.JOINT, 0.6)
        drawing.text(_LEFT - 6, y + 4, plain(n * step), anchor="end", colour=ink.QUIET, size=10)
    drawing.text(4, top - 8, unit, colour=ink.QUIET, size=10)
    return scale


def day_bars(bars: Sequence[Bar], unit: str, told: str, *, height: float = 190.0, every: int = 1) -> str:
    """Draw a bar per day; every n-th is labelled."""
    drawing = Drawing(WIDTH, height, told)
    top, bottom = 22.0, height - 20.0
    most = max((max(bar.value or 0.0, bar.high or 0.0) for bar in bars), default=0.0)
    scale = _grid(drawing, top, bottom, most, unit)
    each = (WIDTH - _LEFT - _RIGHT) / max(1, len(bars))
    for n, bar in enumerate(bars):
        x = _LEFT + n * each
        if n % every == 0:
            drawing.text(x + each / 2, bottom + 14, bar.label, anchor="middle", colour=ink.QUIET, size=9)
        if bar.ahead:
            continue
        if bar.value is None:
            drawing.box(x + 1, top, each - 2, bottom - top, ink.STONE, told=f"{bar.label}: not measured")
            continue
        y = bottom - bar.value * scale
        fill, line = (ink.WATER, None) if bar.whole else (ink.PAPER, ink.WATER)
        told_here = f"{bar.label}: {bar.value:.2f} {unit}" + (
            "" if bar.whole else ", part of the day measured"
        )
        drawing.box(x + each * 0.12, y, each * 0.76, bottom - y, fill, line=line, told=told_here)
        if bar.low is not None and bar.high is not None:
            ends = [
                (x + each / 2, bottom - max(0.0, bar.low) * scale),
                (x + each / 2, bottom - bar.high * scale),
            ]
            drawing.line(ends, ink.SLATE, 1.4)
    return drawing.render()


def staircase(steps: Sequence[Step], unit: str, told: str, *, height: float = 250.0) -> str:
    """Draw stages as falling steps, what is lost at each between them, as water falls over a weir."""
    drawing = Drawing(WIDTH, height, told)
    top, bottom = 34.0, height - 44.0
    most = max((step.value + COVERAGE_FACTOR * step.u for step in steps), default=0.0)
    scale = (bottom - top) / most if most > 0 else 0.0
    each = (WIDTH - 2 * _RIGHT) / max(1, len(steps))
    for n, step in enumerate(steps):
        x, y = _RIGHT + n * each, bottom - step.value * scale
        fill, line = ("hatch-oak", ink.OAK) if step.modelled else (ink.WASH, ink.WATER)
        drawing.box(x, y, each, bottom - y, fill, line=line, dashed=step.modelled)
        colour = ink.OAK if step.modelled else ink.WATER
        low, high = (
            bottom - (step.value - COVERAGE_FACTOR * step.u) * scale,
            bottom - (step.value + COVERAGE_FACTOR * step.u) * scale,
        )
        drawing.line([(x + each - 10, min(low, bottom)), (x + each - 10, high)], ink.SLATE, 1.2)
        drawing.text(x + 6, y - 6, f"{step.value:.3g} {unit}", colour=colour, size=12, strong=True)
        drawing.text(x + 6, bottom + 15, step.name, size=10.5)
        if n:
            lost = steps[n - 1].value - step.value
            words = f"{step.loss_name} \N{MINUS SIGN}{lost:.3g}" if lost >= 0 else step.loss_name
            drawing.text(x + 6, bottom + 30, words, colour=ink.QUIET, size=9.5)
    drawing.line([(_RIGHT, bottom), (WIDTH - _RIGHT, bottom)], ink.SLATE, 1.2)
    return drawing.render()


def strips(rows: Sequence[tuple[str, Sequence[Part]]], told: str, *, row_height: float = 15.0) -> str:
    """Draw a strip per period, each filled from left to right by its states in the order given."""
    height = row_height * len(rows) + 4.0
    drawing = Drawing(WIDTH, height, told)
    width = WIDTH - _LEFT - _RIGHT
    for n, (label, parts) in enumerate(rows):
        y = 2 + n * row_height
        drawing.text(_LEFT - 6, y + row_height * 0.72, label, anchor="end", colour=ink.QUIET, size=9)
        x = _LEFT
        for part in parts:
            if part.share > 0:
                words = f"{label}: {part.name} {part.share:.1%}"
                drawing.box(x, y + 1, width * part.share, row_height - 2, part.fill, told=words)
                x += width * part.share
        drawing.box(_LEFT, y + 1, width, row_height - 2, "none", line=ink.JOINT)
    return drawing.render()


def key(parts: Sequence[tuple[str, str]], told: str) -> str:
    """Draw what each fill means: `(name, fill)`."""
    each = WIDTH / max(1, min(4, len(parts)))
    lines = -(-len(parts) // 4)
    drawing = Drawing(WIDTH, 18.0 * lines, told)
    for n, (name, fill) in enumerate(parts):
        x, y = (n % 4) * each, (n // 4) * 18.0
        drawing.box(x, y + 3, 22, 11, fill, line=ink.JOINT)
        drawing.text(x + 28, y + 12.5, name, size=10.5)
    return drawing.render()


def duration_curve(
    points: Sequence[tuple[float, float]], unit: str, told: str, *, height: float = 180.0
) -> str:
    """Draw a curve of values over the share of time in which they were reached or exceeded, 0 to 1."""
    drawing = Drawing(WIDTH, height, told)
    top, bottom = 22.0, height - 34.0
    scale = _grid(drawing, top, bottom, max((value for _, value in points), default=0.0), unit)
    width = WIDTH - _LEFT - _RIGHT
    for tenth in range(0, 11, 2):
        x = _LEFT + width * tenth / 10
        drawing.line([(x, top), (x, bottom)], ink.JOINT, 0.6)
        drawing.text(x, bottom + 14, f"{tenth * 10} %", anchor="middle", colour=ink.QUIET, size=10)
    drawing.text(
        _LEFT + width / 2,
        height - 4,
        "share of the time at or above",
        anchor="middle",
        colour=ink.QUIET,
        size=10,
    )
    if points:
        drawing.line(
            [(_LEFT + width * share, bottom - value * scale) for share, value in points], ink.WATER, 1.8
        )
    return drawing.render()
