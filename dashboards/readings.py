"""The fields of a test: each reading is kept as soon as it is given, and never over what somebody else gave meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import streamlit as st

import course
import coursedraw
import data
from sheets import plain
from wheelpit.accounts.commission.answers import live_answers, numbers
from wheelpit.accounts.commission.run import OvertakenError, as_text
from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from data import Where
    from wheelpit.accounts.commission.answers import Answer
    from wheelpit.accounts.commission.run import Bench
    from wheelpit.accounts.commission.steps import Question, Step
    from wheelpit.plant import Plant

_LOOK_S: Final = 2  # how often a page looks for what the node shows
_SEEN: Final = "bench_seen"
_WRONG: Final = "bench_wrong"


class Wrong(NamedTuple):
    """Why a reading was not kept, and, where somebody else gave another meanwhile, what theirs is."""

    told: str
    overtaken: bool = False
    theirs: Answer | None = None


def fields(where: Where, plant: Plant, bench: Bench, step: Step, stamp: data.Stamp) -> None:
    """Show the fields of a test, with what the node shows now beside those that it can read.

    Args:
        where: The files.
        plant: The plant.
        bench: The run, as its file has it.
        step: The test.
        stamp: What told that file from another one; when it changes, the page is worked out anew.

    """
    reads = any(one.live for one in step.questions)

    @st.fragment(run_every=_LOOK_S if reads else None)
    def _fields() -> None:
        shown = live_answers(step, data.live_values(where.live, plant.site.id)) if reads else {}
        ahead = list(step.questions)
        while ahead:
            pair, ahead = ahead[:2], ahead[2:]
            for column, one in zip(st.columns(2, gap="small"), pair, strict=False):
                with column:
                    _field(where, plant, step, one, shown.get(one.name))
        if data.stamp(bench.draft) != stamp:
            st.rerun()

    _take_over(bench, step)
    _fields()


def _field(where: Where, plant: Plant, step: Step, one: Question, shown: float | None) -> None:
    key = f"{step.name}.{one.name}"
    st.text_input(
        plain(course.label(one)),
        key=_widget(key),
        placeholder=course.hint(one),
        on_change=_given,
        args=(where, plant, key),
        autocomplete="off",
    )
    if shown is not None:
        st.button(
            f"Take {shown:.4g} {one.unit}, which the node shows now",
            key=f"bench_take_{key}",
            on_click=_take,
            args=(where, plant, key, shown),
        )
    wrong: Wrong | None = _wrong().get(key)
    if wrong is None:
        return
    st.html(coursedraw.block(coursedraw.wrong(wrong.told)))
    if wrong.overtaken:
        with st.container(horizontal=True, gap="small"):
            mine = str(st.session_state[_widget(key)]).strip()
            st.button(
                f"Keep mine: {mine or 'nothing'}",
                key=f"bench_mine_{key}",
                on_click=_insist,
                args=(where, plant, key),
            )
            st.button(
                f"Take theirs: {as_text(wrong.theirs) or 'nothing'}",
                key=f"bench_theirs_{key}",
                on_click=_yield,
                args=(key, wrong.theirs),
            )


def _take_over(bench: Bench, step: Step) -> None:
    """Bring into the fields what is kept; a field in which something wrong stands is left to whoever wrote it."""
    for one in step.questions:
        key = f"{step.name}.{one.name}"
        kept = bench.answers.given(key)
        if _widget(key) not in st.session_state:
            _wrong().pop(key, None)
        elif key in _wrong() or (key in _seen() and _seen()[key] == kept):
            continue
        st.session_state[_widget(key)] = as_text(kept)
        _seen()[key] = kept


def _given(where: Where, plant: Plant, key: str) -> None:
    """Keep what now stands in a field."""
    text = str(st.session_state[_widget(key)]).strip()
    try:
        bench = data.bench(plant, where.state)
        bench.change(key, numbers(text, key) if text else None, seen=_seen().get(key))
    except OvertakenError as error:
        _wrong()[key] = Wrong(str(error), overtaken=True, theirs=error.theirs)
    except WheelpitError as error:
        _wrong()[key] = Wrong(str(error))
    else:
        _set(key, bench.answers.given(key))


def _take(where: Where, plant: Plant, key: str, shown: float) -> None:
    st.session_state[_widget(key)] = f"{shown:.12g}"
    _given(where, plant, key)


def _insist(where: Where, plant: Plant, key: str) -> None:
    """Keep ours, now that theirs was seen."""
    _seen()[key] = _wrong()[key].theirs
    _given(where, plant, key)


def _yield(key: str, theirs: Answer | None) -> None:
    _set(key, theirs)


def _set(key: str, answer: Answer | None) -> None:
    _wrong().pop(key, None)
    _seen()[key] = answer
    st.session_state[_widget(key)] = as_text(answer)


def kept(bench: Bench, step: Step) -> Sequence[tuple[str, str]]:
    """Return what a test asks and what is kept of it."""
    return [
        (course.label(one), as_text(bench.answers.given(f"{step.name}.{one.name}"))) for one in step.questions
    ]


def forget() -> None:
    """Forget what this browser saw of a run that was put away."""
    for name in (_SEEN, _WRONG):
        st.session_state.pop(name, None)


def _widget(key: str) -> str:
    return f"bench_field_{key}"


def _seen() -> dict[str, Answer | None]:
    """What this browser was shown, by question."""
    found: dict[str, Answer | None] = st.session_state.setdefault(_SEEN, {})
    return found


def _wrong() -> dict[str, Wrong]:
    found: dict[str, Wrong] = st.session_state.setdefault(_WRONG, {})
    return found
