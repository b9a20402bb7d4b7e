"""Days: what each day gave and how much of it was measured, as bars, as a table, as a file."""

from __future__ import annotations

import streamlit as st

import daily
import data
import daycharts
import states
import words

where, plant = states.site()
st.title(f"{plant.site.name}, day by day", anchor=False)

today = data.today(plant.site.time_zone)
oldest = data.oldest_day(where.ledger, plant.site.id)
if oldest is None:
    states.stop(
        "No day has been booked yet.",
        "Days appear with the first record of a node. Records need the service to run:",
        states.serve_command(where),
        lambda: data.booked(where.ledger, plant.site.id),
    )

chosen = st.segmented_control(
    "Range", list(daily.RANGES), default="2 weeks", label_visibility="collapsed", key="days_range"
)
first = daily.first_day(today, chosen or "2 weeks", oldest)
books = data.books(where.ledger, where.plant, plant.site.id, first, today)
rows = daily.rows(books, first, today)

st.markdown(daily.summary(rows))
for chart in (
    daycharts.energy(rows, books),
    daycharts.measured(rows),
    daycharts.efficiency(rows),
):
    if chart is not None:
        st.altair_chart(chart, theme=None)
st.markdown(
    f":small[Days are those of {plant.site.time_zone}. A shaded day was not measured; of a pale one only a part was, "
    "and its true figure may be higher. What is measured of today is a share of the part that has passed.]"
)
for note in daily.notes(books):
    st.markdown(f":small[{note}]")
undated_wh = data.undated_wh(where.ledger, plant.site.id)
if undated_wh:
    st.markdown(f"{words.number(undated_wh, 0)} Wh have no date yet and are in no day.")

st.subheader("Table", anchor=False)
st.dataframe(
    daily.table(books),
    hide_index=True,
    column_config={name: st.column_config.NumberColumn(format=form) for name, form in daily.FORMATS.items()},
)
st.download_button(
    "Download these days as CSV",
    daily.as_csv(books, plant.site.time_zone),
    file_name=f"{plant.site.id}-{first.isoformat()}-{today.isoformat()}.csv",
    mime="text/csv",
)
