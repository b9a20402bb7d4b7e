"""Now: one sentence, the plant as a drawing with its measured values, open alarms, the last hour."""

from __future__ import annotations

import streamlit as st

import block
import charts
import data
import living
import states
from wheelpit.errors import WheelpitError

where, plant = states.site()
st.title(plant.site.name, anchor=False)


@st.fragment(run_every=living.REFRESH_S)
def _living() -> None:
    try:
        moment = data.moment(where.live, where.ledger, plant.site.id)
        alarms = data.open_alarms(where.ledger, plant.site.id)
    except WheelpitError as error:
        st.text(str(error))
        return
    now_ms = data.now_ms()
    living.show(block.live_block(plant, moment, alarms, now_ms, states.advice(where, plant, moment)), now_ms)


@st.fragment(run_every=20)
def _last_hour() -> None:
    hour = data.last_hour(where.ledger, plant.site.id)
    st.subheader("Since the first record" if hour.begun else "The last hour", anchor=False)
    if not hour.records:
        st.markdown(
            "No record of the last hour has arrived. Records come every 10 s while a node is connected."
        )
        return
    for column, panel in zip(st.columns(3), charts.HOUR_PANELS, strict=True):
        with column:
            chart = charts.hour(hour.records, panel, hour.from_ms, hour.to_ms, plant.site.time_zone)
            if chart is not None:
                st.altair_chart(chart, theme=None)


_living()
_last_hour()
