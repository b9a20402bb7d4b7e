"""A sheet for paper and screen: sections of words, pictures and tables as one file that needs nothing else."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from wheelpit.report import ink

if TYPE_CHECKING:
    from collections.abc import Sequence

_TEMPLATE: Final = "sheet.html.j2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; so many columns after the first are figures, and right-aligned."""

    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    figures: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of a sheet.

    Attributes:
        heading: what it is about.
        lead: the sentence that says what is to be seen.
        pictures: SVG pictures, ours: they go in as they are.
        tables, notes: below the pictures.
        cares: words of caution.
        long: it may be cut by the end of a page.

    """

    heading: str
    lead: str = ""
    pictures: Sequence[str] = field(default_factory=tuple)
    tables: Sequence[Table] = field(default_factory=tuple)
    notes: Sequence[str] = field(default_factory=tuple)
    cares: Sequence[str] = field(default_factory=tuple)
    long: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A whole sheet: its title, the line under it, its sections, and the line at its foot."""

    title: str
    under: str
    sections: Sequence[Section]
    foot: str


def render(sheet: Sheet) -> str:
    """Return a sheet as one HTML file: styles and pictures inside, no address of anything outside."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(_TEMPLATE).render(sheet=sheet, ink=ink)
