"""Season: what a year or a month gave, where the rest went, what was missed and why, as on the printed report."""

from __future__ import annotations

import streamlit as st

import data
import states
from sheets import show
from wheelpit.report import phrases
from wheelpit.report.gather import ReportError

where, plant = states.site()
st.title(f"{plant.site.name}, the season", anchor=False)

today = data.today(plant.site.time_zone)
oldest = data.oldest_day(where.ledger, plant.site.id)
if oldest is None:
    states.stop(
        "No day has been booked yet.",
        "A season begins with the first record of a node. Records need the service to run:",
        states.serve_command(where),
        lambda: data.booked(where.ledger, plant.site.id),
    )

with st.container(horizontal=True, gap="small"):
    year = st.selectbox(
        "Year", list(range(today.year, oldest.year - 1, -1)), label_visibility="collapsed", width=120
    )
    whole = "the whole year"
    begins = 1 if year > oldest.year else oldest.month
    ends = 12 if year < today.year else today.month
    months = {phrases.month(year, month): month for month in range(ends, begins - 1, -1)}
    chosen = st.selectbox("Month", [whole, *months], label_visibility="collapsed", width=220)

try:
    sections = data.sections(where.ledger, where.plant, year, months.get(chosen))
except ReportError as error:
    st.markdown(str(error))
else:
    for section in sections:
        show(section)
    name = f"--year {year}" if chosen == whole else f"--month {year}-{months[chosen]:02}"
    st.markdown(f":small[The same on paper: `wheelpit report {name}`]")
