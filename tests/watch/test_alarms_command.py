"""`wheelpit alarms`: what people and other programs get to read."""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.store.alarms import PRIORITIES, AlarmStore, Memory, Moment, Priority, Raised
from wheelpit.store.ledger import Ledger
from wheelpit.watch.words import CONDITIONS, duration

if TYPE_CHECKING:
    from pathlib import Path

START_MS = 1_760_000_000_000  # 2025-10-09 08:53:20 UTC


def told(condition: str, priority: Priority, at_ms: int, site: str = "sallow-ghyll") -> Raised:
    return Raised(
        site=site,
        node="wheel",
        condition=condition,
        priority=priority,
        onset_ms=at_ms,
        raised_ms=at_ms + 7_000,
        value=0.0,
        limit=6.3,
        unit="rpm",
        title=f"Title of {condition}",
        text=f"Cause of {condition}.",
        remedy=f"Remedy of {condition}.",
        reason=f"Reason of {condition}.",
    )


@pytest.fixture
def filled(state: Path) -> Path:
    with Ledger(state / "ledger.db", START_MS) as ledger, ledger.transaction() as db:
        db.execute("INSERT INTO site (site, time_zone) VALUES ('sallow-ghyll', 'Europe/London')")
        db.execute("INSERT INTO site (site, time_zone) VALUES ('upper-mill', 'Asia/Kathmandu')")
        store = AlarmStore(db)
        past = store.raise_episode(told("past", "critical", START_MS - 86_400_000), "t", "b")
        store.clear_episode(past, START_MS - 86_400_000 + 3_900_000, "t", "b")
        store.raise_episode(told("slow", "low", START_MS - 60_000), "t", "b")
        store.raise_episode(told("jam", "high", START_MS), "t", "b")
        store.raise_episode(told("far", "medium", START_MS, "upper-mill"), "t", "b")
    return state


def run(*arguments: str) -> str:
    result = CliRunner().invoke(main, ["alarms", *arguments])
    assert result.exit_code == 0, result.output
    return result.output


def test_the_table_shows_the_worst_that_stands_first_with_its_remedy(filled: Path) -> None:
    output = run("--site", "sallow-ghyll")
    jam, slow, past = (output.index(f"Title of {name}") for name in ("jam", "slow", "past"))
    assert jam < slow < past
    assert "Remedy of jam." in output
    assert "Reason of jam." in output
    assert "Remedy of past." not in output
    assert "2025-10-09 09:53:20 +0100" in output
    assert "1 h 5 min" in output
    assert "over, returned, unacknowledged" in output
    assert "upper-mill" not in output


def test_each_site_is_told_in_its_own_time(filled: Path) -> None:
    output = run()
    assert "2025-10-09 14:38:20 +0545" in output


def test_only_what_stands_on_request(filled: Path) -> None:
    output = run("--open", "--state", str(filled))
    assert "Title of jam" in output
    assert "Title of past" not in output


def test_json_carries_times_as_unix_milliseconds(filled: Path) -> None:
    rows = json.loads(run("--json", "--site", "sallow-ghyll"))
    assert [row["condition"] for row in rows] == ["jam", "slow", "past"]
    jam, _, past = rows
    assert (jam["onset_ms"], jam["raised_ms"], jam["cleared_ms"]) == (START_MS, START_MS + 7_000, None)
    assert (jam["open"], jam["state"]) == (True, "unacknowledged")
    assert past["cleared_ms"] == START_MS - 86_400_000 + 3_900_000
    assert (jam["value"], jam["limit"], jam["unit"]) == (0.0, 6.3, "rpm")


def test_nothing_is_said_in_words_and_as_an_empty_list(state: Path) -> None:
    with Ledger(state / "ledger.db", START_MS) as ledger, ledger.transaction() as db:
        db.execute("INSERT INTO site (site, time_zone) VALUES ('sallow-ghyll', 'Europe/London')")
    assert "No alarm stands" in run("--open")
    assert json.loads(run("--json")) == []


def test_without_a_ledger_the_error_is_one_line_with_a_remedy(state: Path) -> None:
    result = CliRunner().invoke(main, ["alarms"])
    assert result.exit_code == 2
    assert "wheelpit serve" in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_what_is_remembered_of_a_node_comes_back(state: Path) -> None:
    with Ledger(state / "ledger.db", START_MS) as ledger, ledger.transaction() as db:
        store = AlarmStore(db)
        store.note_heard("s", "wheel", START_MS)
        store.note_heard("s", "wheel", START_MS + 1)
        assert store.heard_nodes("s") == {"wheel": Memory()}
        memory = Memory(Moment(3, 17, START_MS), Moment(3, 20, START_MS + 3))
        store.remember("s", "wheel", memory)
        assert store.heard_nodes("s") == {"wheel": memory}
        assert store.heard_nodes("other") == {}


def test_the_ledger_refuses_negative_durations(state: Path) -> None:
    with Ledger(state / "ledger.db", START_MS) as ledger:
        store = AlarmStore(ledger.connection)
        episode = store.raise_episode(told("jam", "high", START_MS), "t", "b")
        with pytest.raises(sqlite3.IntegrityError):
            store.clear_episode(episode, START_MS - 1, "t", "b")


@pytest.mark.parametrize("name", sorted(CONDITIONS))
def test_every_condition_says_what_to_do_and_only_the_critical_cannot_wait(name: str) -> None:
    condition = CONDITIONS[name]
    assert condition.title
    assert condition.text
    assert condition.priority in PRIORITIES
    assert condition.whole_remedy.endswith("It can wait for daylight.") == (condition.priority != "critical")
    assert condition.explained_by <= set(CONDITIONS)


@pytest.mark.parametrize(
    ("lasted_ms", "words"),
    [
        (-5_000, "0 s"),
        (999, "0 s"),
        (59_000, "59 s"),
        (60_000, "1 min 0 s"),
        (3_900_000, "1 h 5 min"),
        (90_061_000, "1 d 1 h"),
    ],
)
def test_a_duration_is_told_in_its_two_largest_units(lasted_ms: int, words: str) -> None:
    assert duration(lasted_ms) == words
