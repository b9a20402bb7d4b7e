"""The page of the bench tests: shut unless told, each reading kept at once, nothing of another's written over."""

from __future__ import annotations

import datetime as dt
import hmac
from typing import TYPE_CHECKING

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import access
import course
import coursedraw
from wheelpit import places
from wheelpit.accounts.commission.answers import Answers
from wheelpit.accounts.commission.run import Bench, OvertakenError
from wheelpit.accounts.commission.steps import steps_of
from wheelpit.accounts.commission.worked import outcome_of
from wheelpit.places import bundled
from wheelpit.plant import demo_plant_path, load_plant

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.dashboards.conftest import Site

PLANT = load_plant(demo_plant_path())
NOW = dt.datetime(2026, 11, 25, 10, 0, tzinfo=dt.UTC)
CODE = "0badcafe"
RIM = "bench_field_pull.rim_radius_m"


@pytest.fixture
def open_page(site: Site, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., AppTest]]:
    """Return a function that opens a test of the course, from a browser that tells a code."""
    st.cache_data.clear()

    def opened(step: str, code: str = CODE, *, takes: bool = True) -> AppTest:
        monkeypatch.setenv(places.ENVIRONMENT, str(site.state))
        monkeypatch.setenv(access.CODE_ENVIRONMENT, CODE if takes else "")
        # The page alone, without the list of pages around it: that is the browser's to check.
        app = AppTest.from_file(bundled("dashboards") / "app_pages" / "bench.py", default_timeout=60)
        app.query_params["code"] = code
        return turn_to(app, step)

    yield opened
    st.cache_data.clear()


def turn_to(app: AppTest, step: str) -> AppTest:
    """Turn to a test of the course."""
    app.query_params["step"] = step
    app.run()
    assert not app.exception, app.exception
    return app


def fields(app: AppTest) -> list[str]:
    """Return the keys of all that can be written into or pressed, short of the way from test to test."""
    keys = [str(part.key) for part in [*app.text_input, *app.button]]
    ways = ("bench_back", "bench_next", "bench_to_", access.PARAMETER)
    return [key for key in keys if not key.startswith(ways)]


def told(app: AppTest) -> str:
    """Return all words of a page."""
    html = [part.proto.body for part in app.get("html")]
    return "\n".join(
        [*html, *(str(part.value) for part in [*app.title, *app.markdown, *app.code, *app.subheader])]
    )


def test_a_board_that_was_not_told_to_takes_nothing(open_page: Callable[..., AppTest]) -> None:
    app = open_page("pull", takes=False)
    assert fields(app) == []
    assert "Belts pinch." in told(app)
    assert "wheelpit board --bench" in told(app)


def test_without_the_code_nothing_is_taken_and_with_it_the_field_opens(
    open_page: Callable[..., AppTest], site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What is secret is compared in constant time, and in no other way: here that comparison alone decides.
    compared = []
    in_truth = hmac.compare_digest

    def compare(told: bytes, secret: bytes) -> bool:
        compared.append((told, secret))
        return in_truth(told, secret)

    monkeypatch.setattr(hmac, "compare_digest", compare)
    Bench(PLANT, site.state, NOW).change("signs.battery_a_on", [2.1], seen=None)
    app = open_page("outcome", "0bad\N{LATIN SMALL LETTER E WITH ACUTE}afe")
    assert fields(app) == []
    assert "For plant.toml" in told(app)
    turn_to(app, "pull")
    assert fields(app) == []
    assert "Belts pinch." in told(app)
    # Typed below an address that still holds a wrong one.
    app.text_input(key=access.PARAMETER).set_value(f" {CODE.upper()} ").run()
    assert RIM in fields(app)
    assert {secret for _, secret in compared} == {CODE.encode()}
    monkeypatch.setattr(hmac, "compare_digest", lambda *_: False)
    assert fields(app.run()) == []


def test_a_reading_is_kept_at_once_and_refused_in_the_command_s_words(
    open_page: Callable[..., AppTest], site: Site
) -> None:
    app = open_page("pull")
    app.text_input(key=RIM).set_value("99").run()
    assert "pull.rim_radius_m = 99: outside what is believed" in told(app)
    app.text_input(key=RIM).set_value("0.8").run()
    assert "outside what is believed" not in told(app)
    app.text_input(key="bench_field_pull.idle_n").set_value("38 14.6 14.2 14.9").run()
    assert not app.exception, app.exception
    assert "torque with belt and alternator" in told(app)
    assert "full standing buckets give" in told(app)
    kept = (site.state / "commission.toml").read_text(encoding="utf-8")
    assert "idle_n = [38.0, 14.6, 14.2, 14.9]" in kept


def test_what_another_gave_meanwhile_is_not_written_over(
    open_page: Callable[..., AppTest], site: Site
) -> None:
    app = open_page("pull")
    Bench(PLANT, site.state, NOW).change("pull.rim_radius_m", [0.75], seen=None)
    app.text_input(key=RIM).set_value("0.8").run()
    assert "meanwhile 0.75 was entered elsewhere" in told(app)
    assert Bench(PLANT, site.state, NOW).answers.number("pull.rim_radius_m") == 0.75
    app.button(key="bench_mine_pull.rim_radius_m").click().run()
    assert Bench(PLANT, site.state, NOW).answers.number("pull.rim_radius_m") == 0.8


def test_plant_toml_is_written_as_shown_and_the_run_put_away(
    open_page: Callable[..., AppTest], site: Site
) -> None:
    bench = Bench(PLANT, site.state, NOW)
    bench.change("signs.battery_a_on", [2.1], seen=None)
    bench.change("signs.battery_a_zero", [0.015], seen=None)
    before = (site.state / "plant.toml").read_text(encoding="utf-8")
    app = open_page("outcome")
    assert '<div class="comes">+ invert = true' in told(app)
    # The wires were swapped by hand.
    app.checkbox(key="bench_entry_battery_a.invert").uncheck().run()
    app.button(key="bench_write").click().run()
    assert not app.exception, app.exception
    assert "This run is put away" in told(app)
    sensor = load_plant(site.state / "plant.toml").sensor("battery_a")
    assert (sensor.invert, sensor.zero_a) == (False, 0.015)  # type: ignore[union-attr]
    (copy,) = site.state.glob("plant.toml.before-*")
    assert copy.read_text(encoding="utf-8") == before
    assert not (site.state / "commission.toml").exists()
    (sheet,) = (site.state / "commission").glob("*.html")
    assert "sense wires are swapped" in sheet.read_text(encoding="utf-8")


def test_two_at_once_lose_nothing_and_finish_only_what_they_saw(state: Path) -> None:
    mine, theirs = Bench(PLANT, state, NOW), Bench(PLANT, state, NOW)
    mine.answers.give("turns.wheel", 20)
    theirs.answers.give("turns.alternator", 357)
    mine.keep()
    theirs.keep()
    assert theirs.answers.number("turns.wheel") == 20
    with pytest.raises(OvertakenError, match="look at them"):
        mine.finish(mine.outcome())
    first = theirs.finish(theirs.outcome(), "a sheet")
    again = Bench(PLANT, state, NOW)
    again.change("turns.wheel", [10], seen=None)
    assert again.finish(again.outcome()) == first
    assert (first.parent / f"{first.stem}-1.html").read_text(encoding="utf-8") == "a sheet"


def test_a_margin_wants_only_what_would_give_it() -> None:
    answers = Answers(steps_of(PLANT))
    for key, value in {
        "pull.rim_radius_m": 0.8, "pull.idle_n": [38.0, 14.6, 14.2, 14.9], "flow.weir_m": 0.142, "volts.bridge_a": 3.8,
        "volts.loaded_rpm": 10.4, "volts.open_v": [22.6, 29.9], "volts.open_rpm": [165.0, 215.0],
        "threshold.cutin_rpm": [6.8, 6.7, 6.8],
    }.items():  # fmt: skip
        answers.give(key, value)  # type: ignore[arg-type] # numbers and lists of them
    start, pull_out, cut_out = course.margins(answers, outcome_of(PLANT, answers))
    assert start.figure is not None
    assert pull_out.figure is not None
    assert cut_out.figure is None
    assert cut_out.wants == ("Threshold: wheel speeds at which it stopped",)
    answers.give("threshold.cutout_rpm", [6.3, 6.4, 6.3])
    assert course.margins(answers, outcome_of(PLANT, answers))[2].figure is not None
    answers.give("pull.idle_n", [14.6, 14.2, 14.9])
    (wanted,) = course.margins(answers, outcome_of(PLANT, answers))[0].wants
    assert "start hump" in wanted


def test_words_from_a_file_are_no_html() -> None:
    assert "<b>" not in coursedraw.difference("a\n", "<b>\n")


def test_what_is_to_be_looked_at_stands_under_its_test_the_open_one_first() -> None:
    answers = Answers(steps_of(PLANT))
    for key, value in {
        "signs.battery_a_on": 2.1, "flow.bucket_l": 200, "flow.bucket_s": [19.6, 20.4, 20.1], "flow.weir_m": 0.170,
        "volts.loaded_v": 13.5, "volts.loaded_a": 6.9, "volts.bridge_v": 20.8, "volts.bridge_a": 3.83,
        "coast.from_rpm": 5.0, "coast.to_rpm": 9.0, "coast.seconds": [10.0, 10.1, 9.9],
    }.items():  # fmt: skip
        answers.give(key, value)  # type: ignore[arg-type] # numbers and lists of them
    found = outcome_of(PLANT, answers)
    standing = course.standings(steps_of(PLANT), answers, found)

    def told(here: str) -> dict[str, str]:
        return {one.step.name: " ".join(words) for one, words in course.warned(standing, found, here)}

    assert list(told("outcome")) == ["signs", "flow", "volts", "coast"]
    assert list(told("volts")) == ["volts", "signs", "flow", "coast"]
    for step, words in {
        "signs": "sense wires", "flow": "V-notch", "volts": "out of the converter", "coast": "the faster",
    }.items():  # fmt: skip
        assert words in told("volts")[step]
    assert sum(len(words) for _, words in course.warned(standing, found, "volts")) == len(found.warnings)


def test_a_test_with_something_to_be_looked_at_leads_there(
    open_page: Callable[..., AppTest], site: Site
) -> None:
    Bench(PLANT, site.state, NOW).change("signs.battery_a_on", [2.1], seen=None)
    app = open_page("turns")
    app.button(key="bench_to_signs").click().run()
    assert not app.exception, app.exception
    assert "1. Sign and zero of every shunt" in [one.value for one in app.subheader]
    assert not [one for one in app.button if one.key == "bench_to_signs"]
