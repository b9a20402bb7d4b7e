"""Trials: what a simulated plant can have broken, and that the page breaks it and puts it right."""

from __future__ import annotations

import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import trials
from wheelpit.places import bundled, running
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin import client
from wheelpit.twin.faults import FAULTS, TWINS_OWN, fault_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.dashboards.conftest import Site

PLANT = load_plant(demo_plant_path())


def test_everything_offered_is_something_the_twin_can_break() -> None:
    offered = trials.trials(PLANT)
    for trial in offered:
        fault, _ = fault_of(PLANT, trial.name)  # raises for what this plant cannot have
        assert fault.where in TWINS_OWN
    assert {trial.name.partition(":")[0] for trial in offered} <= set(FAULTS)
    assert len({trial.text for trial in offered}) == len(offered), "a person chooses by the text"
    assert {"jam", "limiter", "link"} <= {trial.name for trial in offered}


def test_only_what_has_degrees_asks_for_one() -> None:
    for trial in trials.trials(PLANT):
        meaning = FAULTS[trial.name.partition(":")[0]].severity
        assert trial.graded is not meaning.startswith("none")


def test_what_the_twin_does_not_tell_is_left_out() -> None:
    assert trials.truth({"wheel_rpm": 10.44, "charge_a": None}) == ["wheel speed: 10.4 rpm"]


@pytest.fixture
def twin(site: Site) -> Iterator[Site]:
    """A twin that runs in the site's folder."""
    st.cache_data.clear()
    process = subprocess.Popen(
        [sys.executable, "-m", "wheelpit", "twin", "--state", str(site.state)], stdout=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 60
    while running(site.state, "twin") is None:
        if process.poll() is not None or time.monotonic() > deadline:
            process.kill()
            pytest.fail("the twin did not come up")
        time.sleep(0.1)
    yield site
    process.terminate()
    process.wait(30)
    st.cache_data.clear()


def _open() -> AppTest:
    return AppTest.from_file(bundled("dashboards") / "streamlit_app.py", default_timeout=60).run()


def _links(app: AppTest) -> list[str]:
    return [link.proto.label for link in app.get("page_link")]


def test_without_a_twin_there_is_no_such_page(site: Site) -> None:
    assert _links(_open()) == ["Now", "Days", "Season", "Bench"]


@pytest.mark.slow
def test_a_fault_is_put_in_and_taken_out_by_hand(twin: Site) -> None:
    now_ms = time.time_ns() // 1_000_000
    twin.run(now_ms - 60_000, now_ms, 10_000)
    app = _open()
    assert _links(app) == ["Now", "Days", "Season", "Bench", "Trials"]
    app = app.switch_page("app_pages/trials.py").run()
    assert not app.exception, app.exception
    assert "Nothing is broken." in [text.value for text in app.text]
    jam = next(trial for trial in trials.trials(PLANT) if trial.name == "jam")
    app.selectbox(key="trials_fault").set_value(jam.text).run()
    app.button(key="trials_break").click().run()
    assert not app.exception, app.exception
    port = client.find(twin.state)
    assert client.ask(port, "state")["faults"] == {"jam": 1.0}
    app.run()
    app.button(key="trials_mend_jam").click().run()
    assert not app.exception, app.exception
    assert client.ask(port, "state")["faults"] == {}
