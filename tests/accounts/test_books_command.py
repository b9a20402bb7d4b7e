"""`wheelpit books` prints what `day_books` says, for people and for programs."""

from __future__ import annotations

import json
from datetime import date
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.days import LocalDays

if TYPE_CHECKING:
    from pathlib import Path

HOUR = 3_600_000
TEN_MIN = 600_000
JUNE_1 = LocalDays("Europe/London").bounds(date(2026, 6, 1))[0]


def run(*words: str) -> Any:
    return CliRunner().invoke(main, ["books", *words])


def fill(books: Any) -> None:
    for cell in range(6):
        books.add(
            JUNE_1 + (cell + 1) * TEN_MIN,
            charge_mwh=10_000,
            charge_valid_ms=TEN_MIN,
            wheel_mrev=104_000,
            wheel_valid_ms=TEN_MIN,
            turning_ms=TEN_MIN,
        )
    books.begin()
    books.add(JUNE_1 + 24 * HOUR + TEN_MIN, battery_in_mwh=5_000, battery_valid_ms=TEN_MIN)
    books.begin()
    books.add(None, charge_mwh=1_500, charge_valid_ms=TEN_MIN)


def test_a_table_for_people(books: Any) -> None:
    fill(books)
    told = run()
    assert told.exit_code == 0, told.output
    lines = told.output.splitlines()
    assert lines[0].split("  ")[0] == "day"
    assert "60.000" in lines[1]
    assert "4.2 %" in lines[1]
    assert "624.0" in lines[1]
    assert ">= 5.000" in lines[2]
    assert lines[3] == "undated: 1.500 Wh (charge_a) in records whose date is not known yet"
    assert lines[4].startswith("energy is a lower bound: only battery_a")


def test_json_for_programs(books: Any) -> None:
    fill(books)
    told = json.loads(run("--json", "--site", books.site).output)
    assert (told["site"], told["time_zone"]) == ("sallow-ghyll", "Europe/London")
    assert [day["day"] for day in told["days"]] == ["2026-06-01", "2026-06-02"]
    first = told["days"][0]
    assert first["energy_mwh"] == 60_000
    assert first["energy_wh"] == 60.0
    assert first["coverage"] == 1 / 24
    assert first["revolutions"] == 624.0
    assert first["turning_h"] == 1.0
    assert told["undated"] == {"charge_mwh": 1_500, "charge_valid_ms": TEN_MIN}


def test_a_range_is_inclusive_and_an_empty_one_says_so(books: Any) -> None:
    fill(books)
    told = json.loads(run("--json", "--from", "2026-06-02", "--to", "2026-06-02").output)
    assert [day["day"] for day in told["days"]] == ["2026-06-02"]
    assert "no day has records in this range" in run("--from", "2027-01-01").output


def test_mistakes_are_named(books: Any, state: Path) -> None:
    told = run("--from", "1 June")
    assert told.exit_code == 2
    assert "'1 June' is no date: write it as 2026-06-01" in told.output
    told = run("--site", "elsewhere")
    assert told.exit_code == 2
    assert "site 'elsewhere' is not in the ledger: it holds sallow-ghyll" in told.output
    with books.ledger.transaction() as db:
        Bookkeeper(db, "other-mill", "Europe/London")
    told = run()
    assert told.exit_code == 2
    assert "say with --site which site is meant: it holds other-mill, sallow-ghyll" in told.output
    told = run("--state", str(state / "nowhere"))
    assert told.exit_code == 2
    assert "there is no ledger yet" in told.output
