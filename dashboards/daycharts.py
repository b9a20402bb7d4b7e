"""The charts of the days: energy, how much of each day was measured, electrical efficiency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import altair as alt

import daily
import inks as c
from charts import chart_of, dressed, iso

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daily import Row
    from wheelpit.accounts.books import DayBook

_MOST_LABELS: Final = 7
_FEW_DAYS: Final = 31
_FEWEST_DAYS: Final = 7  # the axis is at least so long, or a first day would fill it
# The charts stand above each other: their axes take the same room, so that the days stand above each other too.
_ROOM: Final = 46
_FILLS: Final = {"measured": c.WATER, "partly measured": c.WASH, "today so far": c.PAPER}


def energy(days: Sequence[Row], books: Sequence[DayBook]) -> Any:
    """Return the bars of the days: full blue where measured, pale where partly, shaded where not at all."""
    unit, per_kwh = daily.unit(days)
    empty = [row for row in days if row["kind"] == "not measured"]
    given = [{**row, "energy": row["energy_kwh"] * per_kwh} for row in days if row["energy_kwh"] is not None]
    today = [row for row in given if row["kind"] == "today so far" and len(days) <= _FEW_DAYS]
    x = _x(days)
    kinds = [kind for kind in _FILLS if any(row["kind"] == kind for row in given)]
    bars = (
        chart_of(given)
        .mark_rect(stroke=c.WATER, strokeWidth=_stroke(days))
        .encode(
            x=x,
            x2="right:T",
            y=alt.Y("energy:Q", title=unit, axis=_y_axis(), scale=alt.Scale(zero=True)),
            y2=alt.datum(0),
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[_FILLS[kind] for kind in kinds]),
                legend=alt.Legend(
                    orient="top", title=None, offset=2, symbolType="square", symbolStrokeColor=c.WATER
                ),
            ),
            tooltip=[
                alt.Tooltip("day:N", title="day"),
                alt.Tooltip("kind:N", title=" "),
                alt.Tooltip("energy:Q", title=unit, format=".2f"),
                alt.Tooltip("measured_pct:Q", title="measured, %", format=".0f"),
            ],
        )
    )
    label = (
        chart_of(today)
        .mark_text(text=["so", "far"], baseline="bottom", dy=-16, lineHeight=12, color=c.SLATE, fontSize=12)
        .encode(x=_x(days, "middle"), y=alt.Y("energy:Q"))
    )
    return dressed(
        alt.layer(_shade(empty, x), bars, label).properties(height=300, title=daily.title(books, unit))
    )


def measured(days: Sequence[Row]) -> Any:
    """Return how much of each day was measured."""
    bars = (
        chart_of(days)
        .mark_rect(color=c.QUIET)
        .encode(
            x=_x(days),
            x2="right:T",
            y=alt.Y(
                "measured_pct:Q",
                title="%",
                axis=_y_axis(values=[0, 50, 100]),
                scale=alt.Scale(domain=[0, 100]),
            ),
            y2=alt.datum(0),
            tooltip=[
                alt.Tooltip("day:N", title="day"),
                alt.Tooltip("measured_pct:Q", title="measured, %", format=".1f"),
            ],
        )
    )
    return dressed(bars.properties(height=120, title="Measured, % of the day"))


def efficiency(days: Sequence[Row]) -> Any:
    """Return the electrical efficiency of the days on which both sides were measured, or None if none was."""
    known = [row for row in days if row["efficiency_pct"] is not None]
    if not known:
        return None
    points = (
        chart_of(known)
        .mark_point(filled=True, size=28, color=c.WATER, opacity=1)
        .encode(
            x=_x(days, "middle"),
            y=alt.Y("efficiency_pct:Q", title="%", axis=_y_axis(), scale=alt.Scale(domain=[0, 100])),
            tooltip=[
                alt.Tooltip("day:N", title="day"),
                alt.Tooltip("efficiency_pct:Q", title="%", format=".1f"),
            ],
        )
    )
    return dressed(points.properties(height=170, title="Electrical efficiency, bridge to battery node, %"))


def _x(days: Sequence[Row], field: str = "left") -> alt.X:
    end = days[-1]["at"] + daily.DAY_MS
    begin = min(days[0]["at"], end - _FEWEST_DAYS * daily.DAY_MS)
    return alt.X(
        f"{field}:T",
        title=None,
        scale=alt.Scale(type="utc", domain=[iso(begin), iso(end)]),
        axis=alt.Axis(
            format="%b %Y" if len(days) > daily.MANY_DAYS else "%-d %b",
            values=[iso(at_ms) for at_ms in labelled(days)],
            labelOverlap=True,
            grid=False,
        ),
    )


def labelled(days: Sequence[Row]) -> list[int]:
    """Return where the time axis has labels: days counted back from the last, or first days of months."""
    if len(days) > daily.MANY_DAYS:
        firsts = [row["middle"] for row in days if row["day"].endswith("-01")]
        return firsts[:: max(1, -(-len(firsts) // _MOST_LABELS))]
    step = -(-len(days) // _MOST_LABELS)
    return [row["middle"] for row in reversed(days)][::step]


def _y_axis(values: Sequence[float] | None = None) -> alt.Axis:
    axis = alt.Axis(minExtent=_ROOM, maxExtent=_ROOM)
    if values is not None:
        axis.values = list(values)
    return axis


def _stroke(days: Sequence[Row]) -> float:
    return 0.0 if len(days) > daily.MANY_DAYS else 1.0


def _shade(empty: Sequence[Row], x: alt.X) -> Any:
    return (
        chart_of(empty)
        .mark_rect(color=c.STONE)
        .encode(
            x=x,
            x2="right:T",
            y=alt.value(0),
            y2=alt.Y2Value("height"),  # type: ignore[no-untyped-call] # altair's own
            tooltip=[alt.Tooltip("day:N", title="day"), alt.Tooltip("kind:N", title=" ")],
        )
    )
