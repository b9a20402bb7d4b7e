"""The end of the bench tests: all that followed, the sheet for paper, and the way into plant.toml."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import streamlit as st

import coursedraw
import data
import readings
import states
from sheets import plain
from wheelpit.accounts.commission.putting import left_out, name_of, put
from wheelpit.errors import WheelpitError
from wheelpit.report.commission import BenchSheet, sheet_of
from wheelpit.report.sheet import render

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from course import Standing
    from data import Where
    from wheelpit.accounts.commission.results import Entry, Outcome
    from wheelpit.accounts.commission.run import Bench, Earlier
    from wheelpit.accounts.commission.written import Moved

_TOLD: Final = "bench_told"
_SHOWN: Final = "bench_shown"
_AFTER: Final = (
    "Restart wheelpit serve, and give the node its settings anew if a shunt's sign or zero changed."
)
_LIMITS: Final = (
    "They tell; they do not protect. What protects is hardware at the wheel, the bridge and the battery."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """What the outcome is made of.

    Attributes:
        where: the files.
        bench: the run.
        found: what followed from its answers.
        earlier: the sheet to set it beside, if there is one.
        writes: whether this browser may write.

    """

    where: Where
    bench: Bench
    found: Outcome
    earlier: Earlier | None
    writes: bool


class Look(NamedTuple):
    """The text of plant.toml by which a change was judged, and the time that it is to carry."""

    text: str
    at: dt.datetime


def show(end: End, standing: Sequence[Standing]) -> None:
    """Show all that followed, the way into plant.toml, the sheet, and how to end the run."""
    st.subheader("What followed", anchor=False)
    if not end.found.results:
        st.markdown("Nothing yet: a result stands here as soon as the readings of a test allow it.")
        return
    for one in standing:
        if one.results:
            heading = coursedraw.heading(f"{one.number}. {one.step.title}")
            st.html(coursedraw.block(heading, coursedraw.results(one.results, end.earlier)))
    _into_plant(end)


def told() -> None:
    """Say once what the last press did."""
    lines = st.session_state.pop(_TOLD, [])
    if lines:
        st.html(coursedraw.block(coursedraw.done(lines)))


def put_away(bench: Bench) -> None:
    """Offer the sheet of the run that was put away last."""
    sheets = [file.with_suffix(".html") for file in bench.finished()]
    sheets = [file for file in sheets if file.is_file()]
    if not sheets:
        return
    newest = sheets[-1]
    st.subheader("The run before", anchor=False)
    st.markdown(f"Put away on {newest.stem}. A new run is set beside it, with what changed.")
    st.download_button(
        "Download its sheet",
        newest.read_text(encoding="utf-8"),
        file_name=_file_name(bench, newest.stem),
        mime="text/html",
        key="bench_before",
    )


def _into_plant(end: End) -> None:
    st.subheader("For plant.toml", anchor=False)
    entries = _chosen(end)
    try:
        text = end.where.plant.read_text(encoding="utf-8")
        at = _shown_at(text, entries, end.bench.now)
        made = data.rewritten(text, entries, at)
    except (OSError, WheelpitError) as error:
        st.html(coursedraw.block(coursedraw.wrong(str(error), "Cannot be written.")))
        _paper(end, ())
        return
    if made.changed:
        st.markdown("Exactly this changes; all else stays as it is, comments too:")
        st.html(coursedraw.block(coursedraw.difference(text, made.text)))
        _moved(made.limits)
    else:
        st.markdown("plant.toml says all this already." if entries else "Nothing of this run goes into it.")
    _paper(end, made.limits)
    st.subheader("To end this run", anchor=False)
    if not end.writes:
        st.markdown("In the terminal, with plant.toml written or without:")
        st.code(states.commission_command(end.where, "--write"), language=None)
        st.code(states.commission_command(end.where, "--finish"), language=None)
        return
    st.markdown(
        "Answers, results and sheet are put away under the day, and a new run can begin. Before plant.toml is written, a copy "
        "of it as it is stays beside it."
    )
    with st.container(horizontal=True, gap="small"):
        values = f"{len(made.changed)} value{'' if len(made.changed) == 1 else 's'}"
        if made.changed and st.button(f"Write {values} into plant.toml", type="primary", key="bench_write"):
            _finish(end, entries, Look(text, at))
        if st.button("End without writing", key="bench_finish"):
            _finish(end, (), None)


def _shown_at(text: str, entries: Sequence[Entry], now: dt.datetime) -> dt.datetime:
    """Return the time that a change carries: that of its first showing, so that what is written is what was seen."""
    shown = (text, tuple(entries))
    if st.session_state.get(_SHOWN, (None, now))[0] != shown:
        st.session_state[_SHOWN] = (shown, now)
    at: dt.datetime = st.session_state[_SHOWN][1]
    return at


def _chosen(end: End) -> list[Entry]:
    """Return what is to be written: a sign that was put right at the wires is not turned a second time."""
    entries = end.found.entries
    leave = []
    for one in entries:
        name = name_of(one)
        label = f"**{plain(name)}** = {f'{one.value}'.lower()}: {plain(one.why)}"
        if not st.checkbox(label, value=True, key=f"bench_entry_{name}", disabled=not end.writes):
            leave.append(name)
    if any(one.key == "invert" for one in entries):
        st.caption(
            "A sign is turned once: here or at the sense wires. If you swapped the wires, take its tick away."
        )
    return left_out(entries, leave)


def _moved(limits: Sequence[Moved]) -> None:
    if not limits:
        return
    st.markdown("Alarm limits that follow:")
    rows = {
        "limit": [plain(one.name) for one in limits],
        "before": [one.before for one in limits],
        "now": [one.after for one in limits],
        "why": [plain(one.reason) for one in limits],
    }
    st.table(rows, border="horizontal")
    st.caption(_LIMITS)


def _paper(end: End, limits: Sequence[Moved]) -> None:
    st.subheader("On paper", anchor=False)
    st.markdown(
        "One file that needs nothing else: for the wall beside the wheel, and to hold next year's against."
    )
    st.download_button(
        "Download the sheet",
        _sheet(end, limits),
        file_name=_file_name(end.bench, f"{end.bench.now:%Y-%m-%d}"),
        mime="text/html",
        key="bench_sheet",
    )


def _finish(end: End, entries: Sequence[Entry], look: Look | None) -> None:
    """Write what was shown, if anything, put the run away, and say so; or say why not."""
    lines: list[str] = []
    limits: Sequence[Moved] = ()
    file = end.where.plant
    try:
        if look is not None:
            made, copy = put(file, entries, look.at, seen=look.text)
            limits = made.limits
            data.plant.clear()
            if copy is not None:
                lines += [f"{file} is written; a copy of it as it was is {copy.name}.", *made.changed, _AFTER]
        lines.append(f"This run is put away as {end.bench.finish(end.found, _sheet(end, limits))}.")
        readings.forget()
    except WheelpitError as error:
        lines.append(str(error))
    st.session_state[_TOLD] = lines
    st.rerun()


def _sheet(end: End, limits: Sequence[Moved]) -> str:
    bench = end.bench
    told = BenchSheet(
        plant=bench.plant,
        day=bench.now.date(),
        steps=bench.steps,
        outcome=end.found,
        earlier=end.earlier,
        limits=limits,
    )
    return render(sheet_of(told))


def _file_name(bench: Bench, day: str) -> str:
    return f"{bench.plant.site.id}-bench-{day}.html"
