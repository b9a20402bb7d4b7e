"""The sheet of the bench tests: for the wall beside the wheel, and to hold next year's against."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from wheelpit.accounts.commission.steps import ALWAYS
from wheelpit.accounts.figure import COVERAGE_FACTOR
from wheelpit.report import ink, phrases
from wheelpit.report.sheet import Section, Sheet, Table
from wheelpit.report.svg import Drawing

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Sequence

    from wheelpit.accounts.commission.results import Outcome, Result
    from wheelpit.accounts.commission.run import Earlier
    from wheelpit.accounts.commission.steps import Step
    from wheelpit.accounts.commission.written import Moved
    from wheelpit.accounts.figure import Figure
    from wheelpit.plant.description import Plant
    from wheelpit.report.svg import Anchor

_WIDTH: Final = 680.0
_LEFT: Final = 250.0
_ROW: Final = 24.0
# What is drawn beside last year's: as a share of it.
_DRAWN: Final = (
    "bare_nm", "idle_nm", "iron_nm", "drive_loss", "nm_per_a", "v_per_rpm", "wheel_efficiency", "overall_efficiency",
    "converter_efficiency", "cutin_rpm", "cutout_rpm", "coast_nm",
)  # fmt: skip
_WIDEST: Final = 0.5  # of last year's value, either way


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSheet:
    """What a sheet of bench tests is made of."""

    plant: Plant
    day: dt.date
    steps: Sequence[Step]
    outcome: Outcome
    earlier: Earlier | None = None
    limits: Sequence[Moved] = field(default_factory=tuple)


def change_of(now: Figure, then: Figure) -> str:
    """Return how a figure changed since an earlier sheet: only what both uncertainties leave is called a change."""
    apart = now.value - then.value
    both = COVERAGE_FACTOR * (now.u**2 + then.u**2) ** 0.5
    if abs(apart) <= both:
        return "the same"
    share = f" ({100 * apart / then.value:+.0f} %)" if then.value else ""
    return f"{apart:+.3g}{share}"


def sheet_of(told: BenchSheet) -> Sheet:
    """Return the sheet."""
    under = f"Bench tests of {phrases.day(told.day)}."
    if told.earlier is not None:
        under += f" Beside them those of {phrases.day(told.earlier.day)}."
    return Sheet(
        title=f"{told.plant.site.name}: bench tests",
        under=under,
        sections=[*_warned(told), *_drawn(told), *_steps(told), *_limits(told)],
        foot=(
            "Each value with its 95 % interval; what both intervals leave open is called the same. A margin is what is in "
            "hand; it is never an input of energy."
        ),
    )


def _warned(told: BenchSheet) -> Iterator[Section]:
    if told.outcome.warnings:
        yield Section(heading="To be looked at first", cares=tuple(told.outcome.warnings))


def _steps(told: BenchSheet) -> Iterator[Section]:
    earlier = {} if told.earlier is None else told.earlier.figures
    for step in told.steps:
        results = [one for one in told.outcome.results if one.step == step.name]
        if not results:
            continue
        heads = ["", "now"] if told.earlier is None else ["", "now", phrases.day(told.earlier.day), "change"]
        rows = [_row(one, earlier.get(one.key), with_earlier=told.earlier is not None) for one in results]
        yield Section(
            heading=step.title,
            tables=(
                Table(heads=heads, rows=rows, figures=len(heads) - 2 if told.earlier is not None else 1),
            ),
            notes=[f"{one.what}: {one.figure.note}" for one in results if one.figure.note],
            cares=(f"{step.care} {ALWAYS}",),
        )


def _row(one: Result, then: Figure | None, *, with_earlier: bool) -> list[str]:
    row = [one.what, figure_text(one.figure, one.unit)]
    if with_earlier:
        row += [figure_text(then, one.unit), phrases.ABSENT if then is None else change_of(one.figure, then)]
    return row


def figure_text(figure: Figure | None, unit: str) -> str:
    """Return a figure as the sheet says it."""
    return phrases.figure(figure, unit).rstrip()


def _drawn(told: BenchSheet) -> Iterator[Section]:
    """Draw what changed since the earlier sheet, as shares of it."""
    if told.earlier is None:
        return
    pairs = [
        (one, told.earlier.figures[one.key])
        for one in told.outcome.results
        if one.key in _DRAWN
        and told.earlier.figures.get(one.key) is not None
        and told.earlier.figures[one.key].value
    ]
    if not pairs:
        return
    words = "; ".join(f"{one.what}: {change_of(one.figure, then)}" for one, then in pairs)
    drawing = Drawing(_WIDTH, _ROW * (len(pairs) + 1.5), f"Change since {told.earlier.day}: {words}")
    right = _WIDTH - 10.0
    middle, half = 0.5 * (_LEFT + right), 0.5 * (right - _LEFT)

    def x(share: float) -> float:
        return middle + half * min(max(share / _WIDEST, -1.0), 1.0)

    foot = _ROW * len(pairs) + 6.0
    for share in (-_WIDEST, -_WIDEST / 2, 0.0, _WIDEST / 2, _WIDEST):
        drawing.line([(x(share), 0.0), (x(share), foot)], ink.SLATE if share == 0 else ink.JOINT)
        anchor: Anchor = "start" if share == -_WIDEST else "end" if share == _WIDEST else "middle"
        drawing.text(
            x(share),
            foot + 16.0,
            f"{100 * share:+.0f} %" if share else "as then",
            anchor=anchor,
            colour=ink.QUIET,
        )
    for place, (one, then) in enumerate(pairs):
        y = _ROW * place + _ROW / 2
        moved = one.figure.value / then.value - 1.0
        spread = COVERAGE_FACTOR * (one.figure.u**2 + then.u**2) ** 0.5 / abs(then.value)
        modelled = one.figure.origin == "modelled"
        colour = ink.OAK if modelled else ink.WATER
        drawing.text(_LEFT - 12.0, y + 4.0, one.what.split(",")[0], anchor="end")
        drawing.line([(x(moved - spread), y), (x(moved + spread), y)], colour, 2.0, dashed=modelled)
        drawing.box(x(moved) - 3.0, y - 6.0, 6.0, 12.0, colour, told=change_of(one.figure, then))
    yield Section(
        heading=f"Since {phrases.day(told.earlier.day)}",
        lead="Where each figure stands against the earlier one; the line is how sure the difference is (95 %).",
        pictures=(drawing.render(),),
    )


def _limits(told: BenchSheet) -> Iterator[Section]:
    if told.limits:
        rows = [[one.name, one.before, one.after, one.reason] for one in told.limits]
        yield Section(
            heading="Alarm limits that follow",
            lead="They tell; they do not protect. What protects is hardware at the wheel, the bridge and the battery.",
            tables=(Table(heads=("limit", "before", "now", "why"), rows=rows, figures=2),),
            long=True,
        )
    if told.outcome.entries:
        entries = [
            [
                ".".join(part for part in (one.table, one.channel, one.key) if part),
                f"{one.value}".lower(),
                one.why,
            ]
            for one in told.outcome.entries
        ]
        yield Section(
            heading="For plant.toml",
            tables=(Table(heads=("key", "value", "why"), rows=entries, figures=1),),
            long=True,
        )
