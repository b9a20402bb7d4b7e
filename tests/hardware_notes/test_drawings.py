"""The drawings are what the script draws, in the board's colours, and nothing runs over anything in a browser."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from playwright.sync_api import sync_playwright

if TYPE_CHECKING:
    from collections.abc import Callable

DRAWINGS = Path(__file__).resolve().parents[2] / "hardware_notes" / "drawings"
NAMES = sorted(file.stem for file in DRAWINGS.glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"


def test_each_file_is_what_the_script_draws(draw: Any) -> None:
    assert sorted(draw.DRAWINGS) == NAMES
    for name, make in draw.DRAWINGS.items():
        assert (DRAWINGS / f"{name}.svg").read_text(encoding="utf-8") == make().svg(), (
            "out of date: python hardware_notes/drawings/draw.py"
        )


@pytest.mark.parametrize("name", NAMES)
def test_it_is_well_formed_and_says_what_it_is(name: str) -> None:
    root = ET.parse(DRAWINGS / f"{name}.svg").getroot()  # noqa: S314 - our own file
    assert root.tag == f"{SVG}svg"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
    assert not root.findall(f".//{SVG}script")
    assert f"drawings/{name}.svg)" in (DRAWINGS.parent / "wiring.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_only_the_palette_is_used(name: str, draw: Any) -> None:
    colours = {value for key, value in vars(draw.c).items() if key.isupper() and isinstance(value, str)}
    used = set(re.findall(r"#[0-9a-f]{6}", (DRAWINGS / f"{name}.svg").read_text(encoding="utf-8")))
    assert used <= colours


@pytest.mark.slow
def test_no_words_run_over_others_or_over_the_edge(needs: Callable[[str], str]) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=needs("chromium"), args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        for name in NAMES:
            page.goto((DRAWINGS / f"{name}.svg").as_uri())
            boxes = page.evaluate(
                "[...document.querySelectorAll('text')].map(t => [t.textContent, t.getBBox()])"
                ".map(([w, b]) => [w, b.x, b.y, b.x + b.width, b.y + b.height])"
            )
            width, height = page.evaluate(
                "[document.documentElement.viewBox.baseVal.width, document.documentElement.viewBox.baseVal.height]"
            )
            assert boxes
            for words, left, top, right, bottom in boxes:
                assert left >= 4, (name, words)
                assert right <= width - 4, (name, words)
                assert top >= 4, (name, words)
                assert bottom <= height - 4, (name, words)
            for (a, *one), (b, *other) in combinations(boxes, 2):
                over = min(one[2], other[2]) - max(one[0], other[0])
                deep = min(one[3], other[3]) - max(one[1], other[1])
                assert over <= 0 or deep <= 1, (name, a, b)
        browser.close()
