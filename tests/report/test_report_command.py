"""A month's report, from a ledger with a past to the file."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.accounts.books import day_books, total_energy
from wheelpit.accounts.figure import Figure
from wheelpit.cli import main
from wheelpit.demo.past import give_past
from wheelpit.plant import demo_plant_path
from wheelpit.plant.load import load_plant
from wheelpit.report import phrases
from wheelpit.store.ledger import FILE
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state folder whose ledger holds the last two days of June and the first of July 2026."""
    made = tmp_path_factory.mktemp("state")
    shutil.copy(demo_plant_path(), made / "plant.toml")
    give_past(made / FILE, load_plant(demo_plant_path()), 3, dt.date(2026, 7, 2))
    return made


def test_a_month_is_one_file_with_what_the_books_say(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "june.html"
    told = CliRunner().invoke(
        main, ["report", "--month", "2026-06", "--state", str(folder), "--out", str(out)]
    )
    assert told.exit_code == 0, told.output
    page = out.read_text(encoding="utf-8")
    books = day_books(LedgerReader(folder / FILE), "sallow-ghyll", load_plant(folder / "plant.toml"))
    june = [book for book in books if book.day.month == 6]
    assert phrases.figure(total_energy(june), "kWh", 1000.0) in page
    assert "Sallow Ghyll, June 2026" in page
    # Both days there are, and the 28 without a record, which are no zeros.
    assert page.count(": not measured</title>") == 28
    for heading in (
        "What it gave",
        "Where the rest of it went",
        "How the time was spent",
        "How sure this is",
    ):
        assert f"<h2>{heading}</h2>" in page
    assert "(modelled)" in page
    assert "water off, wheel chocked" in page.replace("\n", " ")
    assert not re.search(r"(src|href)=|url\((?!#)|@import|<script", page)


def test_a_month_without_a_record_is_refused(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "may.html"
    told = CliRunner().invoke(
        main, ["report", "--month", "2026-05", "--state", str(folder), "--out", str(out)]
    )
    assert told.exit_code != 0
    assert "no record in May 2026: choose another time" in told.output
    assert not out.exists()
    told = CliRunner().invoke(main, ["report", "--month", "June", "--state", str(folder)])
    assert "write it as 2026-06" in told.output


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # JCGM 100:2008, 7.2.6: an uncertainty to at most two significant digits, the value rounded to match.
        (10.05762, 0.027 / 1.96, "10.058 ± 0.027 W"),
        (1234.56, 61.0 / 1.96, "1,235 ± 61 W"),
        (15.68, 0.0, "15.68 ± 0 W"),
    ],
)
def test_a_figure_is_rounded_as_its_interval_asks(value: float, u: float, text: str) -> None:
    assert phrases.figure(Figure(value=value, u=u), "W") == text


def test_what_cannot_be_said_is_a_dash_and_a_bound_says_so() -> None:
    assert phrases.figure(None, "W") == phrases.ABSENT
    bound = Figure(value=3.0, u=0.1, origin="lower-bound")
    assert phrases.figure(bound, "W").startswith("at least 3.00")
    assert "(modelled)" in phrases.figure(Figure(value=3.0, u=0.1, origin="modelled"), "W")
    assert phrases.share(0.99999) == "99.9 %"
    assert phrases.share(1.0) == "100.0 %"


def test_durations() -> None:
    assert phrases.lasted(90_000) == "90 s"
    assert phrases.lasted(3_600_000) == "1 h 00 min"
    assert phrases.lasted(240_000) == "4 min"
