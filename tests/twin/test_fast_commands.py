"""`wheelpit twin year`, as a person uses it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.store.reader import LedgerReader
from wheelpit.twin.balance import LABELS

if TYPE_CHECKING:
    from pathlib import Path


def _year(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, ["twin", *words])
    return done.exit_code, done.stdout, done.stderr


def test_a_few_days_are_simulated_written_and_booked(tmp_path: Path) -> None:
    out, ledger = tmp_path / "days.npz", tmp_path / "ledger.db"
    code, told, progress = _year("year", "--days", "2", "--out", str(out), "--ledger", str(ledger))
    assert code == 0
    for label in LABELS.values():
        assert label in told
    for what in ("simulated", "written", "booked"):
        assert re.search(rf"^17280 records {what} in [\d.]+ s, \d+ a second$", told, re.MULTILINE)
    error = re.search(r"not accounted for +-?[\d.]+ kWh, ([\d.]+) %", told)
    assert error is not None
    assert float(error[1]) < 0.1
    assert "2 days of node wheel" in progress
    assert out.is_file()
    days = LedgerReader(ledger).days("sallow-ghyll", None, None)
    assert [str(day.day) for day in days] == ["2025-01-01", "2025-01-02"]


def test_seed_kind_and_first_day_are_taken(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.db"
    words = ("--kind", "wet", "--days", "1", "--from", "2024-02-29", "--ledger", str(ledger))
    code, one, _ = _year("--seed", "3", "year", *words)
    assert code == 0
    code, other, _ = _year("year", "--seed", "3", "--kind", "wet", "--days", "1", "--from", "2024-02-29")
    assert code == 0

    def given(text: str) -> str:
        return next(line for line in text.splitlines() if "given by the converter" in line)

    assert given(one) == given(other)
    assert str(LedgerReader(ledger).days("sallow-ghyll", None, None)[0].day) == "2024-02-29"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--out", "year.csv"), "name it *.parquet or *.npz"),
        (("--plant", "none.toml"), "none.toml"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_line(words: tuple[str, ...], said: str) -> None:
    code, told, err = _year("year", "--days", "1", *words)
    assert code == 2
    assert told == ""
    assert said in err
    assert "Traceback" not in err


def test_a_past_that_is_there_already_is_refused(tmp_path: Path) -> None:
    words = ("year", "--days", "1", "--ledger", str(tmp_path / "ledger.db"))
    assert _year(*words)[0] == 0
    code, _, err = _year(*words)
    assert code == 2
    assert "another seed" in err
