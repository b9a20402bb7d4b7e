"""Both pages through the entry file, in every state a board may find."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import data
from wheelpit.places import bundled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.dashboards.conftest import Clock, Site

PAGES = pytest.mark.parametrize("page", ["now", "days", "season"])


@pytest.fixture
def show(state: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], AppTest]]:
    """Return a function that opens a page of the board on this test's state folder, at this test's time."""
    st.cache_data.clear()
    monkeypatch.setattr(data, "now_ms", clock.now_ms)

    def open_page(page: str) -> AppTest:
        app = AppTest.from_file(bundled("dashboards") / "streamlit_app.py", default_timeout=60).run()
        if page != "now":
            app = app.switch_page(f"app_pages/{page}.py").run()
        assert not app.exception, app.exception
        return app

    yield open_page
    st.cache_data.clear()


def living(app: AppTest) -> str:
    """Return the HTML of the living part of the first page."""
    (element,) = app.get("bidi_component")
    told = json.loads(element.proto.json)["html"]
    assert isinstance(told, str)
    return told


def words(app: AppTest) -> str:
    """Return all plain text of a page."""
    parts = [*app.title, *app.subheader, *app.markdown, *app.text, *app.code]
    return "\n".join(str(part.value) for part in parts)


@PAGES
def test_without_a_plant_file_the_command_that_names_one_is_given(
    show: Callable[[str], AppTest], state: Path, page: str
) -> None:
    told = words(show(page))
    assert f"There is no plant file at `{state / 'plant.toml'}`" in told
    assert f"wheelpit board --plant plant.toml --state {state}" in told


@PAGES
def test_a_plant_file_with_a_mistake_is_explained(
    show: Callable[[str], AppTest], site: Site, page: str
) -> None:
    path = site.state / "plant.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("buckets = 18", "buckets = 2"), encoding="utf-8")
    assert "buckets" in words(show(page))


@PAGES
def test_without_a_ledger_the_command_that_makes_one_is_given(
    show: Callable[[str], AppTest], site: Site, page: str
) -> None:
    told = words(show(page))
    assert f"There is no ledger yet at `{site.ledger}`" in told
    assert f"wheelpit serve --plant {site.state / 'plant.toml'} --state {site.state}" in told
    assert "wheelpit demo" in told


@PAGES
def test_a_ledger_of_another_site_is_not_shown_as_this_one(
    show: Callable[[str], AppTest], site: Site, page: str
) -> None:
    site.make_ledger()
    path = site.state / "plant.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"sallow-ghyll"', '"other"'), encoding="utf-8")
    assert "describes the site other; the ledger holds sallow-ghyll" in words(show(page))


def test_an_empty_ledger_says_that_no_node_has_spoken_and_what_to_do(
    show: Callable[[str], AppTest], site: Site
) -> None:
    site.make_ledger()
    app = show("now")
    told = living(app)
    assert "No node has spoken yet." in told
    assert f"Start it: <code>wheelpit serve --plant {site.state / 'plant.toml'}" in told
    assert "No record of the last hour has arrived." in words(app)


def test_one_live_word_and_one_record_are_shown(show: Callable[[str], AppTest], site: Site) -> None:
    now = _now()
    site.run(now - 10_000, now, 10_000)
    site.speak({"wheel_rpm": 10.4, "battery_v": 14.1, "charge_a": 4.4})
    app = show("now")
    assert "Giving 62 W at 14.1 V; the wheel turns at 10.4 rpm." in living(app)
    assert "animation-duration:5.7692s" in living(app)
    assert len(app.get("vega_lite_chart")) == 3
    assert [part.value for part in app.subheader] == ["Since the first record"]


def test_a_channel_that_only_the_birth_declares_is_there_without_a_value(
    show: Callable[[str], AppTest], site: Site
) -> None:
    now = _now()
    site.run(now - 10_000, now, 10_000)
    assert ">charge, so far<" in living(show("now"))


def test_after_a_year_the_pages_open(show: Callable[[str], AppTest], year: Site) -> None:
    year.speak({"wheel_rpm": 10.4})
    app = show("now")
    assert "The wheel turns at 10.4 rpm." in living(app)
    assert [part.value for part in app.subheader] == ["The last hour"]


def test_before_the_first_record_the_days_say_what_brings_them(
    show: Callable[[str], AppTest], site: Site
) -> None:
    site.make_ledger()
    told = words(show("days"))
    assert "No day has been booked yet." in told
    assert f"wheelpit serve --plant {site.state / 'plant.toml'}" in told


def test_one_record_is_a_day_so_far(show: Callable[[str], AppTest], site: Site) -> None:
    now = _now()
    site.run(now - 10_000, now, 10_000)
    app = show("days")
    assert "measured in 1 day" in words(app)
    (table,) = app.dataframe
    assert str(table.value["day"].iloc[0]).endswith(" so far")


def test_a_year_of_days_in_every_range(show: Callable[[str], AppTest], year: Site) -> None:
    app = show("days")
    for chosen in ("2 weeks", "month", "quarter", "year", "all"):
        app.segmented_control(key="days_range").set_value(chosen).run()
        assert not app.exception
        assert len(app.get("vega_lite_chart")) == 3
        assert ("not at all" in words(app)) == (chosen in {"year", "all"})
        assert len(app.get("download_button")) == 1


def test_taking_the_choice_back_shows_two_weeks(show: Callable[[str], AppTest], year: Site) -> None:
    app = show("days")
    app.segmented_control(key="days_range").set_value(None).run()
    assert not app.exception
    assert "14 days" in words(app)


def test_stale_values_are_grey_and_a_silent_node_gets_advice(
    show: Callable[[str], AppTest], site: Site
) -> None:
    site.make_ledger()
    site.speak({"wheel_rpm": 10.4, "battery_v": 14.1}, ago_s=20)
    told = living(show("now"))
    assert "The newest values are 20 s old" in told
    assert "value old" in told
    assert "turn still" in told


def test_after_three_minutes_there_is_no_data_and_the_command_that_helps(
    show: Callable[[str], AppTest], site: Site
) -> None:
    site.make_ledger()
    site.speak({"wheel_rpm": 10.4}, ago_s=190)
    told = living(show("now"))
    assert "No data for 3 min" in told
    assert "10.4" not in told
    assert "The service does not run here." in told


def test_an_open_alarm_is_told_in_words(show: Callable[[str], AppTest], site: Site) -> None:
    site.make_ledger()
    site.raise_alarm("stall", "high", "The wheel stopped suddenly", "Water off first. It leaps. Chock it.")
    site.speak({"wheel_rpm": 0.0}, state="stopped")
    told = living(show("now"))
    assert '<span class="priority">high</span> <b>The wheel stopped suddenly</b>' in told
    assert "Water off first. It leaps." in told
    assert ">high alarm<" in told


def _now() -> int:
    return time.time_ns() // 1_000_000 // 10_000 * 10_000


def test_a_season_tells_the_year_and_a_month_of_it(show: Callable[[str], AppTest], year: Site) -> None:
    app = show("season")
    headings = [part.value for part in app.subheader]
    assert headings[0] == "What it gave"
    assert headings[-1] == "How sure this is"
    assert "--year" in words(app)
    month = app.selectbox[1].options[1]
    app.selectbox[1].select(month).run()
    assert not app.exception, app.exception
    assert "Day by day" in [part.value for part in app.subheader]
    assert "--month" in words(app)
