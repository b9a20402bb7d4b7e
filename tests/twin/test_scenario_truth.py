"""Each scenario before the real watch: the alarms are the right ones, in time, and no other is raised."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import pytest

from wheelpit.demo.rehearsal import Outcome, Rehearsal
from wheelpit.twin.scenarios import Scenario, find, scenarios
from wheelpit.twin.scenarios.description import Event, Right

_QUICK_MIN = 80  # of the steady engine; more, and all of the dynamic one, are for the slow run


def _cases() -> list[Any]:
    return [
        pytest.param(
            scenario,
            id=scenario.name,
            marks=[pytest.mark.slow] if scenario.engine == "dynamic" or scenario.minutes > _QUICK_MIN else [],
        )
        for scenario in scenarios()
    ]


@pytest.mark.parametrize("scenario", _cases())
def test_the_alarms_are_the_right_ones(scenario: Scenario) -> None:
    outcome = Rehearsal(scenario).run()
    assert outcome.problems == []


def played(**changes: Any) -> Outcome:
    """A jam at 20 s, told or not told as the truth table says."""
    told: dict[str, Any] = {
        "name": "jam",
        "title": "Jam",
        "story": "Jam.",
        "minutes": 1.0,
        "engine": "steady",
        "events": (Event(at_s=20, what="jam", fault="jam"),),
    }
    return Rehearsal(Scenario(**(told | changes))).run()


STALL = Right(alarm="stall", from_s=20, within_s=15)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"right": (STALL,)}, []),
        ({"later": {"stall": "not asserted"}}, []),
        ({}, [r"stall: raised at \d+ s, but it is false: nothing of the kind happened"]),
        ({"false": {"stall": "I say so"}}, [r"stall: raised at \d+ s, but it is false: I say so"]),
        (
            {"right": (STALL, Right(alarm="overcharge", from_s=20, within_s=15))},
            ["overcharge: not raised, but it is right from 20 s on"],
        ),
        (
            {"right": (dataclasses.replace(STALL, within_s=2),)},
            [r"stall: raised at \d+ s, later than 2 s after 20 s"],
        ),
        (
            {"right": (dataclasses.replace(STALL, from_s=40),)},
            [r"stall: raised at \d+ s, before anything happened at 40 s", "stall: dated to"],
        ),
        (
            {"right": (dataclasses.replace(STALL, cleared=True),)},
            ["stall: still stands at the end, but it is over"],
        ),
        (
            {"right": (dataclasses.replace(STALL, priority="low"),)},
            ["stall: has priority high, but low is right"],
        ),
    ],
)
def test_every_difference_from_the_truth_is_found(changes: dict[str, Any], said: list[str]) -> None:
    problems = played(**changes).problems
    assert len(problems) == len(said)
    for problem, text in zip(problems, said, strict=True):
        assert re.match(text, problem)


def test_one_episode_twice_is_found() -> None:
    outcome = played(right=(STALL,))
    twice = Outcome(outcome.scenario, [outcome.alarms[0], outcome.alarms[0]], outcome.start_ms)
    assert twice.problems == ["stall: raised 2 times, but it is one episode"]


def test_what_happens_is_told_in_order() -> None:
    lines: list[str] = []
    scenario = dataclasses.replace(find("link-is-cut"), minutes=8.0)
    seconds: list[float] = []
    Rehearsal(scenario, lines.append).run(seconds.append)
    assert [line.split(maxsplit=1)[1] for line in lines] == [
        "the radio link is cut",
        "ALARM (medium) Nothing is heard from the node",
        "over: Nothing is heard from the node",
    ]
    assert lines[0].strip().startswith("1:01")
    assert seconds == list(range(1, 481))
