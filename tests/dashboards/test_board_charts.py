"""The charts' rows: gaps stay gaps, times are the site's."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

import charts
from wheelpit.store.rows import RecordRow

LONDON = ZoneInfo("Europe/London")
NOW_MS = int(datetime(2026, 7, 1, 12, 0, tzinfo=UTC).timestamp() * 1000)


def record(
    end_s: float, value: float | None, *, node: str = "wheel", low: float = 9, high: float = 11
) -> RecordRow:
    """Return a 10 s record that ends `end_s` before now."""
    end_ms = NOW_MS - round(end_s * 1000)
    return RecordRow(
        node=node,
        seq=1,
        first=1,
        start_ms=end_ms - 10_000,
        end_ms=end_ms,
        span_ms=10_000,
        dur_ms=10_000,
        clock="host",
        state="turning",
        mean={"wheel_rpm": value},
        min={"wheel_rpm": low},
        max={"wheel_rpm": high},
        totals={},
        faults={},
    )


def runs(records: list[RecordRow]) -> list[int]:
    return [point["run"] for point in charts.points(records, "wheel_rpm", "wheel", LONDON, NOW_MS)]


def test_neighbours_are_one_line() -> None:
    assert runs([record(30, 10), record(20, 10), record(10, 10)]) == [1] * 6


def test_a_gap_breaks_the_line() -> None:
    assert runs([record(100, 10), record(20, 10), record(10, 10)]) == [1, 1, 2, 2, 2, 2]


def test_a_failed_reading_breaks_the_line_and_is_no_zero() -> None:
    found = charts.points(
        [record(30, 10), record(20, None), record(10, 10)], "wheel_rpm", "wheel", LONDON, NOW_MS
    )
    assert [point["run"] for point in found] == [1, 1, 2, 2]
    assert {point["value"] for point in found} == {10}


def test_a_mean_is_drawn_over_its_interval_with_least_and_most() -> None:
    first, second = charts.points([record(0, 10)], "wheel_rpm", "wheel", LONDON, NOW_MS)
    assert second["at"] - first["at"] == 10_000
    assert (first["low"], first["high"]) == (9, 11)


def test_what_no_record_covers_is_a_gap_also_where_a_reading_failed() -> None:
    records = [record(50, 10), record(40, None), record(30, 10)]
    found = charts.gaps(records, "wheel_rpm", NOW_MS - 120_000, NOW_MS, LONDON)
    shown_now = charts.shown_ms(NOW_MS, LONDON, NOW_MS)
    assert [(gap["start"] - shown_now, gap["end"] - shown_now) for gap in found] == [
        (-120_000, -60_000),
        (-50_000, -40_000),
        (-30_000, 0),
    ]


def test_a_record_on_its_way_is_no_gap() -> None:
    assert charts.gaps([record(12, 10)], "wheel_rpm", NOW_MS - 22_000, NOW_MS, LONDON) == []


def test_times_are_the_sites_wall_clock() -> None:
    # 12:00 UTC on 1 July is 13:00 in London.
    assert charts.shown_ms(NOW_MS, LONDON, NOW_MS) - NOW_MS == 3_600_000
    assert charts.shown_ms(NOW_MS, ZoneInfo("Asia/Kathmandu"), NOW_MS) - NOW_MS == 20_700_000  # +05:45


def test_an_hour_in_which_the_clocks_change_is_drawn_with_one_offset() -> None:
    # In London clocks went forward on 29 March 2026 at 01:00 UTC: the hour before 01:30 UTC spans the change.
    to_ms = int(datetime(2026, 3, 29, 1, 30, tzinfo=UTC).timestamp() * 1000)
    start = charts.shown_ms(to_ms - 3_600_000, LONDON, to_ms)
    assert charts.shown_ms(to_ms, LONDON, to_ms) - start == 3_600_000


def test_a_quiet_hour_looks_quiet() -> None:
    speed, volts, _ = charts.HOUR_PANELS
    rows = charts.points([record(0, 10, low=10, high=10.1)], "wheel_rpm", "wheel", LONDON, NOW_MS)
    assert charts.span_of(rows, speed) == [0.0, 10.1]
    low, high = charts.span_of(rows, volts)
    assert high - low == pytest.approx(1.0)
    assert charts.span_of([], speed) == [0.0, 5.0]


def test_the_chart_has_the_hour_as_its_axis_and_no_bridge() -> None:
    records = [record(100, 10), record(20, 10)]
    chart = charts.hour(records, charts.HOUR_PANELS[0], NOW_MS - 3_600_000, NOW_MS, "Europe/London").to_dict()
    line = next(layer for layer in chart["layer"] if layer["mark"]["type"] == "line")
    assert line["encoding"]["detail"]["field"] == "run"
    assert line["encoding"]["x"]["scale"] == {
        "type": "utc",
        "domain": ["2026-07-01T12:00:00+00:00", "2026-07-01T13:00:00+00:00"],
    }


def test_a_channel_that_was_never_recorded_has_no_chart() -> None:
    assert charts.hour([record(0, 10)], charts.HOUR_PANELS[1], NOW_MS - 3_600_000, NOW_MS, "UTC") is None
