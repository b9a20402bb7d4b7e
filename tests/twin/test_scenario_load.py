"""Scenario files: those that ship are whole, and a wrong one is told about line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from wheelpit.demo.rehearsal import unknown_alarms
from wheelpit.twin.faults import FAULTS, fault_of
from wheelpit.twin.scenarios import Scenario, ScenarioError, find, load_scenario, scenarios
from wheelpit.twin.scenarios.load import BOOK
from wheelpit.twin.scenarios.play import plant_of
from wheelpit.twin.trouble import TwinError
from wheelpit.watch.words import CONDITIONS

if TYPE_CHECKING:
    from pathlib import Path

ALL = scenarios()
NAMES = [scenario.name for scenario in ALL]
# Alarms that are watched and are false here, with no way yet to tell the watch so.
NOT_AVOIDED_YET = {
    "normal-declared-equalisation": {"overcharge"},
    "normal-wifi-off-at-night": {"telemetry_lost"},
}
GOOD = """
title = "Something happens"
story = "As it does."
minutes = 5

[[event]]
at_s = 60
what = "a branch jams the wheel"
fault = "jam"

[[right]]
alarm = "stall"
from_s = 60
within_s = 15

[false]
ran_down = "it stopped from speed"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text)
    return path


def test_there_are_more_than_forty() -> None:
    assert len(ALL) >= 40
    assert len(set(NAMES)) == len({scenario.title for scenario in ALL}) == len(ALL)


def test_every_fault_occurs_in_one() -> None:
    assert set(FAULTS) == set().union(*(scenario.faults for scenario in ALL))


def test_the_fourteen_of_normal_life_raise_nothing_or_a_low_one() -> None:
    normal = [scenario for scenario in ALL if scenario.normal_life]
    assert len(normal) == 14
    for scenario in normal:
        for right in scenario.right:
            # A gate that is closed without a word looks like a jam: the one exception.
            low = CONDITIONS[right.alarm].priority == "low"
            assert low or scenario.name == "normal-gate-closed-by-hand", scenario.name


@pytest.mark.parametrize("scenario", ALL, ids=NAMES)
def test_its_names_are_those_of_watch_and_plant(scenario: Scenario) -> None:
    assert unknown_alarms(scenario) == []
    plant = plant_of(scenario)
    for event in scenario.events:
        if event.fault is not None:
            assert fault_of(plant, event.fault)


@pytest.mark.parametrize("scenario", ALL, ids=NAMES)
def test_what_is_left_for_later_is_not_watched_yet(scenario: Scenario) -> None:
    # Whoever adds a condition moves its name from later to right or false, and so makes the truth table hold it.
    assert set(scenario.later) & set(CONDITIONS) == NOT_AVOIDED_YET.get(scenario.name, set())


@pytest.mark.parametrize("scenario", ALL, ids=NAMES)
def test_it_says_something_in_words(scenario: Scenario) -> None:
    assert scenario.title[0].isupper()
    assert not scenario.title.endswith(".")
    assert scenario.story.strip().endswith(".")
    # Something is asserted, and when nothing is right, the tempting alarms are named.
    assert scenario.right or scenario.false


def test_a_good_one_is_read(tmp_path: Path) -> None:
    scenario = load_scenario(written(tmp_path, GOOD))
    assert scenario.name == "mine"
    assert scenario.faults == {"jam"}
    assert [right.alarm for right in scenario.right] == ["stall"]
    assert find(str(tmp_path / "mine.toml")) == scenario


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('title = "Something happens"', "", "title: missing"),
        ("minutes = 5", "minutes = 0", "minutes = 0: give more than 0"),
        ("minutes = 5", 'minutes = "five"', "minutes = 'five': give a number"),
        ("minutes = 5", "minutes = 5\nflow = 3", "flow: not known; did you mean flow_l_s?"),
        ("minutes = 5", "minutes = 5\nflow_l_s = [[5, 1], [3, 2]]", "by rising minutes"),
        ("minutes = 5", "minutes = 5\nflow_l_s = []", "by rising minutes"),
        ("minutes = 5", 'minutes = 5\nengine = "fast"', "give one of dynamic, steady"),
        ("minutes = 5", "minutes = 5\nlive_s = 7", "live_s = 7: give 1, 2, 3"),
        ("minutes = 5", "minutes = 5\nseed = 1.5", "give a whole number"),
        ("minutes = 5", "minutes = 5\nnormal_life = 1", "give true or false"),
        ("minutes = 5", "minutes = 5\nstate_of_charge = 98", "state_of_charge = 98: give 0 to 1"),
        ("minutes = 5", "minutes = 5\nbegins = 2026-01-01T00:00:00", "with the zone"),
        ('story = "As it does."', 'story = " "', "give some words"),
        ('fault = "jam"', 'fault = "jams"', 'event 1, fault = "jams": not known; did you mean jam?'),
        ('fault = "jam"', "", "event 1, what happens: give exactly one of fault, gate_l_s, load, parked"),
        ('fault = "jam"', 'fault = "jam"\nparked = true', "not fault, parked"),
        ('fault = "jam"', 'fault = "jam"\nseverity = 2', "severity = 2: give more than 0, at most 1"),
        ('fault = "jam"', 'fault = "jam"\nuntil_s = 5', "until_s = 5: before at_s = 60"),
        ("at_s = 60", "at_s = 600", "at_s = 600: it lasts 0 to 300 s"),
        ("at_s = 60", "", "event 1, at_s: missing"),
        ("from_s = 60", "from_s = -1", "right 1, from_s = -1"),
        ("within_s = 15", "within_s = -15", "within_s = -15: give 0 or more"),
        ('ran_down = "it stopped from speed"', "ran_down = true", 'give a table of alarm = "why"'),
        ('ran_down = "it', 'stall = "it', "false, stall: it is also told to be right"),
        ("[false]", '[later]\nstall = "no"\n[false]', "later, stall: it is also told to be right or false"),
        ("[[event]]", "[event]", "event: give it as [[event]]"),
        ("minutes = 5", "minutes = = 5", "is no TOML"),
    ],
)
def test_a_wrong_one_says_what_to_do(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    assert said in str(caught.value)
    assert all(line.startswith(str(path)) for line in str(caught.value).splitlines())


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace("at_s = 60", "at_s = -1").replace('fault = "jam"', 'fault = "jams"')
    with pytest.raises(ScenarioError) as caught:
        load_scenario(written(tmp_path, text))
    assert len(caught.value.problems) == 2


def test_one_that_is_not_there_is_told_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="did you mean jam-by-a-branch"):
        find("jam-by-a-brunch")
    with pytest.raises(ScenarioError, match="wheelpit twin scenarios"):
        find("xyz")
    with pytest.raises(ScenarioError, match="cannot be read"):
        find(str(tmp_path / "none.toml"))


def test_a_key_that_the_plant_has_not_is_refused(tmp_path: Path) -> None:
    text = GOOD.replace("minutes = 5", 'minutes = 5\nplant = { "wheel.colour" = "red" }')
    with pytest.raises(TwinError, match=r"wheel\.colour is no key"):
        plant_of(load_scenario(written(tmp_path, text)))


def test_a_key_of_the_plant_is_changed() -> None:
    plant = plant_of(find("normal-series-controller-tapers"))
    assert plant.controller.topology == "series"


def test_the_book_holds_nothing_else() -> None:
    assert all(path.suffix == ".toml" for path in BOOK.iterdir())
