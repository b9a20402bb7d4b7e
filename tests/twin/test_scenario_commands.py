"""`wheelpit twin scenarios` and `wheelpit twin run SCENARIO`, as a person uses them."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.twin.scenarios import scenarios

if TYPE_CHECKING:
    from pathlib import Path


def _twin(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, ["twin", *words])
    return done.exit_code, done.stdout, done.stderr


def test_the_list_names_each_with_its_right_alarms() -> None:
    code, out, _ = _twin("scenarios")
    assert code == 0
    for scenario in scenarios():
        assert f"{scenario.name}  (" in out
    waiting = next(scenario for scenario in scenarios() if scenario.later and not scenario.right)
    assert f"Right alarms: none; not asserted yet: {', '.join(waiting.later)}." in out


def test_the_list_as_json_can_be_narrowed_to_a_fault() -> None:
    code, out, _ = _twin("scenarios", "--json", "--fault", "rocking")
    assert code == 0
    (told,) = json.loads(out)
    assert told["name"] == "rocking-at-the-pickup"
    assert told["right"] == ["stall"]
    assert told["happens"][0]["what"]


def test_a_run_tells_what_happens_and_ends_well() -> None:
    code, out, _ = _twin("run", "broker-is-gone")
    assert code == 0
    assert "the broker's process ends" in out
    assert "ALARM (medium) Nothing is heard from the node" in out
    assert out.endswith("The alarms were the right ones: telemetry_lost.\n")


def test_a_run_whose_alarms_are_wrong_ends_badly(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        'title = "Quiet"\nstory = "Nothing."\nminutes = 1\nengine = "steady"\n'
        '[[right]]\nalarm = "stall"\nfrom_s = 10\nwithin_s = 10\n'
    )
    code, _, err = _twin("run", str(path))
    assert code == 1
    assert err == "wheelpit: stall: not raised, but it is right from 10 s on\n"


def test_a_pace_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('title = "Quiet"\nstory = "Nothing."\nminutes = 1\nengine = "steady"\n')
    begun = time.monotonic()
    code, _, _ = _twin("run", str(path), "--speed", "60")
    assert code == 0
    # A minute, sixty times as fast, is never sooner over.
    assert time.monotonic() - begun >= 0.99


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "give a SCENARIO"),
        (("--seconds", "5", "--speed", "2"), "give a SCENARIO"),
        (("jam-by-a-branch", "--seconds", "5"), "leave out --seconds"),
        (("jam-by-a-branch", "--json"), "leave out --seconds"),
        (("jam-by-a-brunch",), "did you mean jam-by-a-branch?"),
    ],
)
def test_what_does_not_go_together_is_told(words: tuple[str, ...], said: str) -> None:
    code, _, err = _twin("run", *words)
    assert code == 2
    assert said in err
