"""Trials: break the simulated plant by hand and watch what the service makes of it."""

from __future__ import annotations

import streamlit as st

import data
import states
import trials
from wheelpit.errors import WheelpitError
from wheelpit.twin import client

_REFRESH_S = 2

where, plant = states.site()
st.title("Trials", anchor=False)
st.text(
    "This page is here only while a simulated plant runs. It breaks the simulation, never a machine: Wheelpit has no "
    "way to start, stop or change a real plant."
)


def _ask(do: str, **more: object) -> dict[str, object] | None:
    """Ask the twin; say on the page why it would not."""
    try:
        return client.ask(client.find(where.state), do, **more)
    except WheelpitError as error:
        st.text(str(error))
        return None


def _break() -> None:
    known = {trial.text: trial for trial in trials.trials(plant)}
    chosen = known[st.selectbox("What happens", known, key="trials_fault")]
    severity = 1.0
    if chosen.graded:
        severity = st.slider(f"How much: {chosen.severity}", 0.05, 1.0, 1.0, 0.05, key="trials_severity")
    ramp_s = st.number_input("Over how many seconds", 0, 3600, 0, 10, key="trials_ramp_s")
    if st.button("Break it", key="trials_break"):
        _ask("fault", name=chosen.name, on=True, severity=severity, ramp_s=float(ramp_s))


@st.fragment(run_every=_REFRESH_S)
def _consequence() -> None:
    state = _ask("state")
    if state is None:
        return
    left, right = st.columns(2)
    with left:
        st.subheader("What the plant is really like", anchor=False)
        st.text("\n".join(trials.truth(state)))
        broken = trials.standing(state)
        if not broken:
            st.text("Nothing is broken.")
        for name, level in broken.items():
            if st.button(f"Put right: {name} ({level:.2f})", key=f"trials_mend_{name}"):
                _ask("fault", name=name, on=False)
    with right:
        st.subheader("What the service says", anchor=False)
        alarms = data.open_alarms(where.ledger, plant.site.id)
        if not alarms:
            st.text("No open alarms.")
        for alarm in alarms:
            st.text(f"{alarm.priority.upper()}  {alarm.title}\n{alarm.remedy}")


_break()
_consequence()
