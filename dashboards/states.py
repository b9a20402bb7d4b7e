"""What a page shows when there is nothing to show: what is missing, and the exact command that helps."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Final, NoReturn

import streamlit as st

import data
from block import Advice
from moment import SILENT_S
from wheelpit.errors import WheelpitError
from wheelpit.places import user_state
from wheelpit.store.reader import LedgerMissing

if TYPE_CHECKING:
    from collections.abc import Callable

    from data import Where
    from moment import Moment
    from wheelpit.plant import Plant

_DEMO: Final = "wheelpit demo"
_AGAIN_S: Final = 3


def serve_command(where: Where) -> str:
    """Return the command that starts the service for the files the board reads."""
    return shlex.join(["wheelpit", "serve", "--plant", str(where.plant), *_state(where)])


def board_command(where: Where) -> str:
    """Return the command that starts the board with another plant file."""
    return shlex.join(["wheelpit", "board", "--plant", "plant.toml", *_state(where)])


def described() -> tuple[Where, Plant]:
    """Return the files and the plant as its file describes it; where that is missing, say what to do and end the page."""
    where = data.where()
    if not where.plant.is_file():
        stop(
            f"There is no plant file at `{where.plant}`.",
            "The board needs the description of the plant. Start it with the file you have:",
            board_command(where),
            where.plant.is_file,
        )
    try:
        return where, data.plant(where.plant)
    except WheelpitError as error:
        unusable("The plant file has to be put right first.", error)


def commission_command(where: Where, *words: str) -> str:
    """Return the command of the bench tests for the files the board reads."""
    plant = [] if where.plant == where.state / "plant.toml" else ["--plant", str(where.plant)]
    return shlex.join(["wheelpit", "commission", *words, *plant, *_state(where)])


def bench_command(where: Where) -> str:
    """Return the command that starts the board so that it takes readings."""
    plant = [] if where.plant == where.state / "plant.toml" else ["--plant", str(where.plant)]
    return shlex.join(["wheelpit", "board", "--bench", *plant, *_state(where)])


def site() -> tuple[Where, Plant]:
    """Return the files and the plant of the site; where something is missing, say what to do and end the page."""
    where, plant = described()
    try:
        sites = data.sites(where.ledger)
    except LedgerMissing:
        stop(
            f"There is no ledger yet at `{where.ledger}`.",
            "Start the service that writes it, and this page fills by itself. To see first how it looks with an "
            f"invented plant, run `{_DEMO}`.",
            serve_command(where),
            lambda: data.readable(where.ledger),
        )
    except WheelpitError as error:
        unusable("The ledger cannot be read.", error)
    if sites and plant.site.id not in sites:
        stop(
            f"The plant file describes the site {plant.site.id}; the ledger holds {', '.join(sites)}.",
            "Start the board with the plant file of that site, or with the state folder of this one:",
            board_command(where),
            lambda: plant.site.id in data.sites(where.ledger),
        )
    return where, plant


def advice(where: Where, plant: Plant, moment: Moment) -> list[Advice]:
    """Say what to do when no node speaks."""
    if moment.newest_s is not None and moment.newest_s <= SILENT_S:
        return []
    if not data.serving(where.state):
        return [Advice("The service does not run here. Start it:", serve_command(where))]
    if not moment.spoken:
        look = "Check that the node has power, and that its settings name this host's broker and the site"
        return [Advice(f"The service runs and waits for a node. {look} {plant.site.id}.")]
    return [Advice("The service runs. Look at the node's supply, the wireless link and the broker.")]


def stop(what: str, do: str, command: str, over: Callable[[], bool]) -> NoReturn:
    """Show what is missing and what to do, and end the page; it begins again by itself once `over` is true."""
    st.subheader(what)
    st.markdown(do)
    st.code(command, language=None)

    @st.fragment(run_every=_AGAIN_S)
    def _again() -> None:
        if over():
            st.rerun()

    _again()
    st.stop()


def unusable(what: str, error: WheelpitError) -> NoReturn:
    """Show an error that a person has to put right, line by line, and end the page."""
    st.subheader(what)
    for line in str(error).splitlines():
        st.text(line)
    st.stop()


def _state(where: Where) -> list[str]:
    return [] if where.state == user_state() / "site" else ["--state", str(where.state)]
