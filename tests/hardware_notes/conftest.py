"""The notes and their drawings."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

NOTES: Final = Path(__file__).resolve().parents[2] / "hardware_notes"


@pytest.fixture(scope="session")
def notes() -> dict[str, str]:
    """The text of each note by its name."""
    return {file.name: file.read_text(encoding="utf-8") for file in sorted(NOTES.glob("*.md"))}


@pytest.fixture
def draw(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The module that draws; what it puts on the path is taken off again."""
    monkeypatch.setattr(sys, "path", list(sys.path))
    spec = importlib.util.spec_from_file_location("draw", NOTES / "drawings" / "draw.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
