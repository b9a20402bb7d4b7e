"""The charts, built from plain rows: what was not measured stays empty and is shaded, never bridged.

Times are shown as the site's clocks show them. Browsers know only their own time zone and UTC, so a chart gets
the site's wall clock in the guise of UTC, with the offset that holds at its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final, TypedDict
from zoneinfo import ZoneInfo

import altair as alt

# Loaded whole before any page draws: Altair looks for it among the modules that are loaded, and would take it half
# loaded while another session's page is at it.
import pandas  # noqa: F401, ICN001

import inks as c

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from wheelpit.store.rows import RecordRow

# Records of a node follow each other to the millisecond; a shorter pause is the drift of two clocks.
_SHORTEST_GAP_MS: Final = 1_500
# A record is cut every 10 s and needs a moment to arrive: so long the newest stretch is not a gap yet.
_ON_ITS_WAY_MS: Final = 30_000
_SHORT_MS: Final = 600_000  # below this a time axis needs seconds


class Point(TypedDict):
    """One end of a record's interval: `at` in shown ms, the mean over the interval, and the unbroken run it is in."""

    at: int
    value: float
    low: float
    high: float
    run: int
    series: str
    clock: str


class Gap(TypedDict):
    """A stretch that no record covers, in shown ms."""

    start: int
    end: int
    what: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One small chart of the last hour.

    `series` has a channel, its name and its colour each. The axis begins at zero where `from_zero`, and covers at
    least `least` units, so that a quiet hour looks quiet.
    """

    title: str
    unit: str
    series: tuple[tuple[str, str, str], ...]
    least: float
    from_zero: bool = True


HOUR_PANELS: Final = (
    Panel("Wheel speed", "rpm", (("wheel_rpm", "wheel", c.WATER),), 5),
    Panel("Battery voltage", "V", (("battery_v", "battery", c.WATER),), 1, from_zero=False),
    Panel("Current", "A", (("charge_a", "charge", c.WATER), ("battery_a", "into the bank", c.SLATE)), 2),
)


def shown_ms(at_ms: int, zone: ZoneInfo, offset_at_ms: int) -> int:
    """Return the site's wall clock at `at_ms` as ms, with the offset from UTC that holds at `offset_at_ms`."""
    offset = datetime.fromtimestamp(offset_at_ms / 1000, UTC).astimezone(zone).utcoffset()
    if offset is None:  # an aware time always has one
        msg = f"{zone.key} has no offset"
        raise ValueError(msg)
    return at_ms + int(offset.total_seconds() * 1000)


def points(
    records: Iterable[RecordRow], channel: str, series: str, zone: ZoneInfo, to_ms: int
) -> list[Point]:
    """Return a channel's means as a line with breaks: each record gives its two ends, a gap begins a new run."""
    found: list[Point] = []
    run = 0
    last: dict[str, int] = {}
    for record in records:
        value = record.mean.get(channel)
        if value is None:
            continue
        start_ms = record.end_ms - record.span_ms
        if start_ms - last.get(record.node, -_SHORTEST_GAP_MS) >= _SHORTEST_GAP_MS:
            run += 1
        last[record.node] = record.end_ms
        low, high = record.min.get(channel), record.max.get(channel)
        end = datetime.fromtimestamp(record.end_ms / 1000, UTC).astimezone(zone)
        found.extend(
            Point(
                at=shown_ms(at_ms, zone, to_ms),
                value=value,
                low=value if low is None else low,
                high=value if high is None else high,
                run=run,
                series=series,
                clock=f"{end:%H:%M:%S}",
            )
            for at_ms in (start_ms, record.end_ms)
        )
    return found


def gaps(records: Iterable[RecordRow], channel: str, from_ms: int, to_ms: int, zone: ZoneInfo) -> list[Gap]:
    """Return the stretches in which a channel was not measured, of those that are long enough to be seen."""
    covered = from_ms
    found: list[Gap] = []
    for record in records:
        if record.mean.get(channel) is None:
            continue
        start_ms = record.end_ms - record.span_ms
        if start_ms - covered >= _SHORTEST_GAP_MS:
            found.append(_gap(covered, start_ms, zone, to_ms))
        covered = max(covered, record.end_ms)
    if to_ms - covered >= _ON_ITS_WAY_MS:
        found.append(_gap(covered, to_ms, zone, to_ms))
    return found


def span_of(rows: Iterable[Point], panel: Panel) -> list[float]:
    """Return the least and the largest value that a panel's axis has to show."""
    values = [value for row in rows for value in (row["low"], row["high"])] or [0.0]
    low, high = min(values), max(values)
    if panel.from_zero:
        low, high = min(low, 0.0), max(high, 0.0)
    short = panel.least - (high - low)
    if short > 0:
        low, high = (low, high + short) if panel.from_zero else (low - short / 2, high + short / 2)
    return [low, high]


def hour(records: Sequence[RecordRow], panel: Panel, from_ms: int, to_ms: int, time_zone: str) -> Any:
    """Return an Altair chart of one panel, or None where none of its channels was recorded."""
    zone = ZoneInfo(time_zone)
    rows: list[Point] = []
    empty: list[Gap] = []
    colours: dict[str, str] = {}
    for channel, series, colour in panel.series:
        if any(channel in record.mean for record in records):
            colours[series] = colour
            rows += points(records, channel, series, zone, to_ms)
            empty = gaps(records, channel, from_ms, to_ms, zone)
    if not colours:
        return None
    x = alt.X(
        "at:T",
        title=None,
        scale=alt.Scale(type="utc", domain=[iso(shown_ms(at, zone, to_ms)) for at in (from_ms, to_ms)]),
        axis=alt.Axis(format="%H:%M" if to_ms - from_ms > _SHORT_MS else "%H:%M:%S", tickCount=4),
    )
    y = alt.Y(
        "value:Q", title=panel.unit, scale=alt.Scale(zero=False, domain=span_of(rows, panel), nice=True)
    )
    tint = alt.Color(
        "series:N",
        scale=alt.Scale(domain=list(colours), range=list(colours.values())),
        legend=alt.Legend(orient="top", title=None, offset=2) if len(colours) > 1 else None,
    )
    base = alt.Chart()
    band = base.mark_area(opacity=0.18, clip=True).encode(
        x=x, y=alt.Y("low:Q"), y2="high:Q", color=tint, detail="run:N"
    )
    line = base.mark_line(strokeWidth=1.8, clip=True).encode(
        x=x,
        y=y,
        color=tint,
        detail="run:N",
        tooltip=[
            alt.Tooltip("clock:N", title="to"),
            alt.Tooltip("series:N", title="what"),
            alt.Tooltip("value:Q", title=panel.unit, format=".2f"),
        ],
    )
    both = alt.layer(_shade(empty), band, line, data=rows_of(rows))
    return dressed(both.properties(height=170, title=panel.title))


def chart_of(rows: Sequence[Mapping[str, Any]]) -> Any:
    """Return a chart on plain rows, which go into the page as they are."""
    return alt.Chart(rows_of(rows))


def rows_of(rows: Sequence[Mapping[str, Any]]) -> Any:
    """Return plain rows as a chart's data."""
    return alt.Data(values=[dict(row) for row in rows])  # type: ignore[no-untyped-call] # altair's own


def iso(at_ms: int) -> str:
    """Return a time for the domain of an axis, where a bare number would be read as a year."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()


def _gap(start_ms: int, end_ms: int, zone: ZoneInfo, to_ms: int) -> Gap:
    return Gap(start=shown_ms(start_ms, zone, to_ms), end=shown_ms(end_ms, zone, to_ms), what="not measured")


def _shade(empty: list[Gap]) -> Any:
    return (
        chart_of(empty)
        .mark_rect(color=c.STONE, clip=True)
        .encode(
            x=alt.X("start:T", scale=alt.Scale(type="utc")),
            x2="end:T",
            tooltip=[alt.Tooltip("what:N", title=" ")],
        )
    )


def dressed(chart: Any) -> Any:
    """Give a chart the board's paper, slate and type; as a drawing, since a bitmap knows no colours by name."""
    return chart.properties(usermeta={"embedOptions": {"renderer": "svg"}}).configure(
        background=c.PAPER,
        font="Source Sans, Source Sans Pro, sans-serif",
        view=alt.ViewConfig(stroke=None),
        title=alt.TitleConfig(anchor="start", fontSize=14, fontWeight=600, color=c.SLATE),
        axis=alt.AxisConfig(
            labelColor=c.QUIET,
            titleColor=c.QUIET,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
            gridColor=c.STONE,
            domainColor=c.JOINT,
            tickColor=c.JOINT,
        ),
        legend=alt.LegendConfig(
            labelColor=c.SLATE, labelFontSize=12, symbolType="stroke", symbolOpacity=1, symbolStrokeWidth=2
        ),
    )
