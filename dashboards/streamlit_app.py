"""The board: what a water-wheel plant does now and what it gave each day; reads the ledger and never writes it."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

import data
import palette
from wheelpit.places import running

# A picture of our own: a named one would be fetched from elsewhere.
st.set_page_config(page_title="Wheelpit", page_icon=Path(__file__).with_name("mark.svg"), layout="wide")

pages = [
    st.Page("app_pages/now.py", title="Now", default=True),
    st.Page("app_pages/days.py", title="Days"),
    st.Page("app_pages/season.py", title="Season"),
    st.Page("app_pages/bench.py", title="Bench"),
]
if running(data.where().state, "twin") is not None:
    pages.append(st.Page("app_pages/trials.py", title="Trials"))
page = st.navigation(pages, position="hidden")

# The list of pages in words, in sight on a phone as well.
with st.container(horizontal=True, gap="small"):
    for other in pages:
        st.page_link(other, width="content")

# The living part says by itself when it is not answered; Streamlit's running figure would come and go beside it. The
# pictures of a report are drawn for paper: they lie on paper also in the dark, and on a phone they are moved sideways,
# since so much smaller nobody could read them.
st.html(
    f"<style>:root{{{palette.variables()}}}"
    "[data-testid=stStatusWidget]{display:none}"
    f"[data-testid=stImage] img{{background:{palette.PAPER}}}"
    "@media(max-width:640px){[data-testid=stImage]{overflow-x:auto}[data-testid=stImage] img{min-width:720px}}"
    # Of its own captions it makes text too pale to be read by everybody.
    "[data-testid=stCaptionContainer],[data-testid=stCaptionContainer] *{color:var(--quiet);opacity:1}"
    # Streamlit writes white on the first button, whatever its ground.
    "[data-testid=stBaseButton-primary]:not(:disabled) *{color:var(--paper)}</style>"
)

page.run()
