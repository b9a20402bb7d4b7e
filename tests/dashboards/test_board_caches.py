"""What the shipped board must keep to: bounded caches, no writing, no threads, nothing said to others."""

from __future__ import annotations

import ast
import tomllib
from typing import TYPE_CHECKING

import pytest

import palette
from wheelpit.places import bundled

if TYPE_CHECKING:
    from pathlib import Path

HERE = bundled("dashboards")
FILES = sorted(path for path in HERE.rglob("*.py"))
GROUNDS = {"light": palette.LIGHT, "dark": palette.DARK}
EACH = pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(HERE)) for path in FILES])


def caches(path: Path) -> list[ast.AST]:
    """Return every use of `st.cache_*` in a file: calls, bare decorators, names."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [
        node for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr.startswith("cache_")
    ]


@EACH
def test_every_cache_has_a_ttl_and_a_bound(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bounded = [
        node.func
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and {"ttl", "max_entries"} <= {word.arg for word in node.keywords}
    ]
    known = {id(func) for func in bounded}
    found = [
        node for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr.startswith("cache_")
    ]
    assert all(id(node) in known for node in found), [node.lineno for node in found if id(node) not in known]


def test_the_lint_above_sees_the_caches_there_are() -> None:
    assert len(caches(HERE / "data.py")) >= 5


@EACH
def test_the_board_starts_no_thread_and_opens_no_store_for_writing(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    assert not named & {
        "threading",
        "ThreadPoolExecutor",
        "multiprocessing",
        "Ledger",
        "LiveStore",
        "AlarmStore",
    }


def test_the_shipped_settings() -> None:
    told = tomllib.loads((HERE / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    assert told["server"]["address"] == "127.0.0.1"
    assert told["server"]["fileWatcherType"] == "none"
    assert told["server"]["maxCacheDataSize"] == "64mb"
    assert told["browser"]["gatherUsageStats"] is False
    assert told["client"] == {"toolbarMode": "viewer", "showErrorDetails": "none", "showErrorLinks": False}
    assert "enableCORS" not in told["server"]


@pytest.mark.parametrize("ground", ["light", "dark"])
def test_the_theme_has_the_boards_own_colours(ground: str) -> None:
    theme = tomllib.loads((HERE / ".streamlit" / "config.toml").read_text(encoding="utf-8"))["theme"][ground]
    colours = GROUNDS[ground]
    for key, name in {
        "backgroundColor": "paper", "textColor": "slate", "codeTextColor": "slate", "primaryColor": "water",
        "linkColor": "water", "secondaryBackgroundColor": "stone", "codeBackgroundColor": "stone",
        "dataframeHeaderBackgroundColor": "stone", "borderColor": "joint", "dataframeBorderColor": "joint",
    }.items():  # fmt: skip
        assert theme.pop(key) == colours[name], key
    assert theme == {}, "a colour that is not the board's own"


def test_a_page_names_every_colour_for_both_grounds() -> None:
    assert set(palette.LIGHT) == set(palette.DARK)
    for name, colour in palette.LIGHT.items():
        assert f"--{name}:light-dark({colour},{palette.DARK[name]});" in palette.variables()


def luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB colour: WCAG 2.2, definition `relative luminance`."""

    def linear(part: int) -> float:
        share = part / 255
        return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)

    red, green, blue = (linear(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio: WCAG 2.2, definition `contrast ratio`."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_twenty_one() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2, note to `contrast ratio`


@pytest.mark.parametrize("ground", ["light", "dark"])
@pytest.mark.parametrize(
    ("words", "under"),
    [
        *((name, "paper") for name in palette.TEXT_COLOURS),
        # Speeds, notes and old values on the wheel's pedestal; what is typed into a field.
        ("water", "stone"), ("quiet", "stone"), ("stale", "stone"), ("slate", "stone"),
        # An alarm's tag, the first button, the number on a full trough.
        ("paper", "signal"), ("paper", "water"), ("slate", "wash"),
    ],
)  # fmt: skip
def test_text_keeps_the_contrast_of_level_aa(words: str, under: str, ground: str) -> None:
    colours = GROUNDS[ground]
    assert contrast(colours[words], colours[under]) >= 4.5  # WCAG 2.2, success criterion 1.4.3
