"""`wheelpit twin` as a person uses it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.places import running
from wheelpit.twin.balance import LABELS
from wheelpit.twin.faults import FAULTS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def _wheelpit(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, ["twin", *words])
    return done.exit_code, done.stdout, done.stderr


def test_a_fast_run_prints_its_balance() -> None:
    code, out, _ = _wheelpit("run", "--seconds", "10", "--flow", "6")
    assert code == 0
    for label in LABELS.values():
        assert label in out
    assert "10 s" in out


def test_a_fast_run_as_json_closes() -> None:
    code, out, _ = _wheelpit("--seed", "3", "run", "--seconds", "10", "--json")
    assert code == 0
    told = json.loads(out)
    assert told["seconds"] == 10
    assert told["error_share"] < 1e-3
    assert told["water_j"] == pytest.approx(1766, rel=0.05)


def test_a_fast_run_may_follow_a_season_a_column_or_a_variant(tmp_path: Path) -> None:
    column = tmp_path / "flow.csv"
    column.write_text("flow_l_s\n7\n", encoding="utf-8")
    for words, litres in [(("--daily-flow", str(column)), 70), (("--variant", "3", "--flow", "5"), 50)]:
        told = json.loads(_wheelpit("run", "--seconds", "10", "--json", *words)[1])
        assert told["water_j"] == pytest.approx(litres * 9.81 * 1.8, rel=0.1)
        assert told["error_share"] < 1e-3
    winter, summer = (
        json.loads(_wheelpit("run", "--seconds", "5", "--json", "--seed", "2", "--season", day)[1])["water_j"]
        for day in ("2025-12-01", "2025-08-15")
    )
    assert winter > 1.5 * summer
    code, _, err = _wheelpit("run", "--seconds", "5", "--season", "2025-08-15", "--daily-flow", str(column))
    assert code == 2
    assert "one of the two" in err


@pytest.mark.parametrize(
    "words", [("state",), ("energy",), ("fault", "jam", "on"), ("flow", "4"), ("parked", "on")]
)
def test_without_a_twin_every_question_says_so(state: Path, words: tuple[str, ...]) -> None:
    code, out, err = _wheelpit(*words)
    assert code == 2
    assert out == ""
    assert err.startswith("wheelpit: no twin runs in ")
    assert len(err.splitlines()) == 1


def test_the_list_names_every_fault_with_its_severity_and_place() -> None:
    code, out, _ = _wheelpit("faults")
    assert code == 0
    for fault in FAULTS.values():
        assert f"    {fault.text}.\n    Severity: {fault.severity}.\n" in out
        assert f"({fault.where})\n" in out
    assert "sensor-stuck:CHANNEL  (sensor)" in out
    told = json.loads(_wheelpit("faults", "--json")[1])
    assert [one["name"].removesuffix(":CHANNEL") for one in told] == list(FAULTS)
    assert {one["where"] for one in told} == {"plant", "sensor", "link", "node", "broker", "host"}
    assert all((one["elsewhere"] is not None) == (one["where"] in {"node", "broker", "host"}) for one in told)


def test_a_bad_plant_is_told_in_lines(tmp_path: Path, state: Path) -> None:
    code, _, err = _wheelpit("--plant", str(tmp_path / "none.toml"))
    assert code == 2
    assert "none.toml" in err
    assert "Traceback" not in err


@pytest.fixture
def process(state: Path) -> Iterator[subprocess.Popen[str]]:
    it = subprocess.Popen(
        [sys.executable, "-m", "wheelpit", "twin", "--seed", "4"], stdout=subprocess.PIPE, text=True
    )
    try:
        deadline = time.monotonic() + 60
        while running(state, "twin") is None:
            assert it.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.05)
        yield it
    finally:
        if it.poll() is None:
            it.kill()
        it.communicate()


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_running_twin_is_found_asked_broken_and_ended(
    state: Path, process: subprocess.Popen[str], number: signal.Signals
) -> None:
    assert _wheelpit("fault", "jam", "on") == (
        0,
        "jam on: something holds the wheel; its buckets fill.\n",
        "",
    )
    deadline = time.monotonic() + 20
    while (told := json.loads(_wheelpit("state", "--json")[1]))["wheel_rpm"] > 0:
        assert time.monotonic() < deadline
    assert told["faults"] == {"jam": 1.0}
    assert "faults               jam 1\n" in _wheelpit("state")[1]
    assert _wheelpit("fault", "jam", "off")[0] == 0
    assert _wheelpit("fault", "bearing", "on", "--severity", "0.4", "--ramp-s", "60")[1] == (
        "bearing on, severity 0.4 within 60 s: a worn bearing brakes the wheel.\n"
    )
    assert _wheelpit("fault", "bearing", "off")[1] == "bearing off.\n"
    for name, told in [("host-lost", "the twin alone cannot do it"), ("gremlin", "not known")]:
        code, _, err = _wheelpit("fault", name, "on")
        assert code == 2
        assert told in err
        assert len(err.splitlines()) == 1
    assert _wheelpit("flow", "12")[0] == 0
    assert json.loads(_wheelpit("state", "--json")[1])["ordered_flow_l_s"] == 12
    energy = json.loads(_wheelpit("energy", "--json")[1])
    begun, ended = str(energy["from_ms"]), str(energy["to_ms"])
    again = json.loads(_wheelpit("energy", "--from-ms", begun, "--to-ms", ended, "--json")[1])
    assert again["charge_wh"] == pytest.approx(energy["charge_wh"])
    assert _wheelpit("energy", "--from-ms", "5")[0] == 2
    code, _, err = _wheelpit()
    assert code == 2
    assert f"process {process.pid}" in err

    os.kill(process.pid, number)
    out, _ = process.communicate(timeout=20)
    assert process.returncode == 0
    assert out.startswith("The twin of Sallow Ghyll runs on 127.0.0.1:")
    assert running(state, "twin") is None
    assert list((state / "running").glob("*")) == []
