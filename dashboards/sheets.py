"""A section of a report as part of a page: its pictures as they are, its tables as tables that can be sorted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import streamlit as st

if TYPE_CHECKING:
    from wheelpit.report.sheet import Section, Table

_FONTS: Final = "\"'Source Sans 3', 'Segoe UI', 'DejaVu Sans', sans-serif\""


def show(section: Section) -> None:
    """Put a section on the page."""
    st.subheader(section.heading, anchor=False)
    if section.lead:
        st.text(section.lead)
    for picture in section.pictures:
        # As an image: Streamlit takes drawings out of HTML. An image knows only the fonts of the machine it is shown on.
        st.image(picture.replace('"inherit"', _FONTS, 1), width=900)
    for table in section.tables:
        st.table(columns(table), border="horizontal")
    for note in section.notes:
        st.caption(plain(note))
    for care in section.cares:
        st.markdown(f"**{plain(care)}**")


def columns(table: Table) -> dict[str, list[str]]:
    """Return a table by column; heads that are alike are kept apart by blanks, which nobody sees."""
    found: dict[str, list[str]] = {}
    for place, head in enumerate(table.heads):
        name = head or " "
        while name in found:
            name += " "
        found[name] = [plain(row[place]) for row in table.rows]
    return found


def plain(words: str) -> str:
    """Return words so that nothing in them is taken for a sign of the text's form."""
    return "".join(f"\\{sign}" if sign in "\\`*_{}[]<>#+-!|~$:" else sign for sign in words)
