"""Bench: the tests at the stream, one after another, each reading kept at once; what follows, and into plant.toml with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

import access
import course
import coursedraw
import data
import outcome
import readings
import states
from wheelpit.accounts.commission.run import DRAFT
from wheelpit.accounts.commission.steps import ALWAYS
from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from course import Standing
    from wheelpit.accounts.commission.results import Outcome

_STEP = "step"
_LOOK_S = 3

where, plant = states.described()
allowed = access.access()
st.html(f"<style>{coursedraw.STYLE}</style>")
st.title(f"{plant.site.name}, at the bench", anchor=False)
stamp = data.stamp(where.state / DRAFT)
try:
    bench = data.bench(plant, where.state)
    earlier = bench.earlier()
except WheelpitError as error:
    states.unusable("The kept answers have to be put right first.", error)

found = bench.outcome()
standing = course.standings(bench.steps, bench.answers, found)
names = [one.step.name for one in standing] + [course.OUTCOME]


def _here() -> str:
    """Return the test that is open: the one of the address, else the first that is not complete."""
    asked = st.query_params.get(_STEP)
    if asked in names:
        return asked
    return next((one.step.name for one in standing if one.state != "complete"), course.OUTCOME)


def _go(name: str) -> None:
    st.query_params[_STEP] = name
    st.session_state["bench_step"] = name


def _chosen() -> None:
    _go(st.session_state["bench_step"] or _here())


def _word(name: str) -> str:
    """Return the short name of a test, with its number and whether it has a result."""
    if name == course.OUTCOME:
        return "Outcome"
    one = standing[names.index(name)]
    return f"{one.number} {name.capitalize()}{' ✓' if one.results else ''}"


@st.fragment(run_every=_LOOK_S)
def _watch() -> None:
    """Begin anew when somebody else gave a reading, here or in a terminal."""
    if data.stamp(bench.draft) != stamp:
        st.rerun()


def _may_it() -> None:
    """Say who may write here, and how."""
    if allowed == "shut":
        st.markdown(
            "This board shows the tests and takes no readings. Start it with "
            f"`{states.bench_command(where)}`, or go on in the terminal with `{states.commission_command(where)}`."
        )
    elif allowed == "locked":
        st.markdown("This board takes readings from whoever has the code that its command printed.")
        st.text_input("Code", key=access.PARAMETER, max_chars=20, autocomplete="off", width=220)


def _test(one: Standing) -> None:
    st.subheader(f"{one.number}. {one.step.title}", anchor=False)
    st.html(coursedraw.block(coursedraw.care(one.step.care, ALWAYS), coursedraw.does(one.step.does)))
    if allowed == "open":
        readings.fields(where, plant, bench, one.step, stamp)
    else:
        st.html(coursedraw.block(coursedraw.kept(readings.kept(bench, one.step))))


def _follows(one: Standing) -> None:
    st.subheader("What follows", anchor=False)
    if one.results:
        st.html(coursedraw.block(coursedraw.results(one.results, earlier)))
    else:
        st.markdown(
            f":small[{one.given} of {one.asked} readings are in; with more of them a result stands here.]"
        )


def _to(one: Standing) -> None:
    """Name a test, and lead to it where it is not the open one."""
    name, title = one.step.name, f"{one.number}. {one.step.title}"
    if name == here:
        st.markdown(f"**{title}**")
    else:
        st.button(f"**{title}**", key=f"bench_to_{name}", on_click=_go, args=(name,), type="tertiary")


def _in_hand(all_of_it: Outcome) -> None:
    if all_of_it.warnings:
        st.subheader("To be looked at", anchor=False)
        with st.container(gap="xsmall"):
            for one, words in course.warned(standing, all_of_it, here):
                _to(one)
                st.html(coursedraw.block(coursedraw.warned(words)))
    st.subheader("In hand", anchor=False)
    st.html(coursedraw.block(coursedraw.margins(course.margins(bench.answers, all_of_it))))


def _onward(name: str) -> None:
    place = names.index(name)
    with st.container(horizontal=True, gap="small"):
        if place > 0:
            before = names[place - 1]
            st.button(f"Back: {_word(before)}", key="bench_back", on_click=_go, args=(before,))
        if place + 1 < len(names):
            after = names[place + 1]
            st.button(f"Next: {_word(after)}", key="bench_next", on_click=_go, args=(after,), type="primary")


here = _here()
st.markdown(course.sentence(standing))
st.html(coursedraw.block(coursedraw.troughs(standing, here)))
st.session_state["bench_step"] = here
st.pills("Test", names, format_func=_word, key="bench_step", on_change=_chosen, label_visibility="collapsed")
_may_it()
outcome.told()
main, side = st.columns([8, 5], gap="large")
with main:
    if here == course.OUTCOME:
        end = outcome.End(where=where, bench=bench, found=found, earlier=earlier, writes=allowed == "open")
        outcome.show(end, standing)
        if not bench.answers:
            outcome.put_away(bench)
    else:
        _test(standing[names.index(here)])
    _onward(here)
with side:
    if here != course.OUTCOME:
        _follows(standing[names.index(here)])
    _in_hand(found)
_watch()
