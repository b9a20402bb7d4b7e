"""The charts and the sheet of a report: well formed, honest about what is missing, safe with any words."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from wheelpit.report.charts import (
    Bar,
    Part,
    Step,
    day_bars,
    duration_curve,
    key,
    nice_step,
    staircase,
    strips,
)
from wheelpit.report.sheet import Section, Sheet, Table, render

SVG = "{http://www.w3.org/2000/svg}"


def drawn(picture: str) -> ET.Element:
    return ET.fromstring(picture)  # noqa: S314 - our own picture


def heights(picture: str) -> list[float]:
    return [
        float(box.attrib["height"])
        for box in drawn(picture).iter(f"{SVG}rect")
        if box.find(f"{SVG}title") is not None
    ]


def test_bars_are_as_high_as_their_values_and_a_day_without_measurement_is_no_zero() -> None:
    bars = [
        Bar(label="1", value=0.5),
        Bar(label="2", value=1.0, low=0.95, high=1.05),
        Bar(label="3", value=None),
        Bar(label="4", value=0.0, whole=False),
    ]
    picture = day_bars(bars, "kWh", "energy a day")
    half, whole, missing, zero = heights(picture)
    assert whole == pytest.approx(2 * half, abs=0.2)
    assert zero == 0
    assert missing > whole
    assert "3: not measured" in picture
    assert "4: 0.00 kWh, part of the day measured" in picture


@pytest.mark.parametrize(
    ("most", "step"), [(1.0, 0.25), (0.9, 0.25), (1.7, 0.5), (100, 25), (0, 1.0), (353, 100)]
)
def test_grid_lines_are_round(most: float, step: float) -> None:
    assert nice_step(most) == pytest.approx(step)
    assert 2 <= (most / nice_step(most) if most else 2) <= 4.01


def test_a_staircase_tells_modelled_from_measured_without_colour() -> None:
    steps = [
        Step(name="water", value=177, u=9, modelled=True),
        Step(name="after the bridge", value=80, u=0.8, modelled=False, loss_name="wheel to wire"),
    ]
    picture = staircase(steps, "W", "where the power goes")
    modelled, measured = [b for b in drawn(picture).iter(f"{SVG}rect") if "stroke" in b.attrib]
    assert "stroke-dasharray" in modelled.attrib
    assert modelled.attrib["fill"] == "url(#hatch-oak)"
    assert "stroke-dasharray" not in measured.attrib
    assert "wheel to wire \N{MINUS SIGN}97" in picture


def test_a_strip_fills_its_row_exactly() -> None:
    parts = [
        Part("charging", 0.6, "#14577f"),
        Part("stopped", 0.3, "dots"),
        Part("not measured", 0.1, "level"),
    ]
    boxes = [
        box
        for box in drawn(strips([("1", parts)], "hours")).iter(f"{SVG}rect")
        if box.find(f"{SVG}title") is not None
    ]
    frame = next(
        b for b in drawn(strips([("1", parts)], "hours")).iter(f"{SVG}rect") if b.get("fill") == "none"
    )
    assert sum(float(box.attrib["width"]) for box in boxes) == pytest.approx(
        float(frame.attrib["width"]), abs=0.2
    )


def test_nothing_at_all_can_be_drawn() -> None:
    for picture in (
        day_bars([], "kWh", ""),
        staircase([], "W", ""),
        strips([], ""),
        duration_curve([], "W", ""),
    ):
        assert drawn(picture).tag == f"{SVG}svg"
    assert drawn(key([("charging", "dots")], "")).tag == f"{SVG}svg"


def test_a_sheet_escapes_words_and_reaches_for_nothing_outside() -> None:
    nasty = "<script>alert('&')</script>"
    sheet = Sheet(
        title=nasty,
        under="under",
        foot="foot",
        sections=[
            Section(
                heading=nasty,
                lead=nasty,
                pictures=[duration_curve([(0, 2), (1, 1)], nasty, nasty)],
                tables=[Table(heads=["day", "kWh"], rows=[[nasty, "1"]])],
                notes=[nasty],
                cares=["Water off first."],
            )
        ],
    )
    page = render(sheet)
    assert "<script" not in page
    assert not re.search(r"(src|href)=|url\((?!#)|@import", page)
    assert page.count("&lt;script&gt;") >= 6
    assert "@page { size: A4" in page
