"""`wheelpit season` and `wheelpit match` say what they know, as a page and for other programs."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from click.testing import CliRunner

from wheelpit.commands.match import command as match_command
from wheelpit.commands.season import command as season_command
from wheelpit.plant import demo_plant_path

MIDNIGHT_MS = round(dt.datetime(2026, 1, 1, tzinfo=dt.UTC).timestamp() * 1000)
HOUR_MS = 3_600_000


def fill(books: Any, hours: int) -> None:
    for n in range(1, hours + 1):
        books.add(
            MIDNIGHT_MS + n * HOUR_MS, HOUR_MS, charge_mwh=60_000, charge_valid_ms=HOUR_MS, turning_ms=HOUR_MS,
            charging_ms=HOUR_MS, wheel_valid_ms=HOUR_MS,
        )  # fmt: skip


def test_a_season_as_page_and_as_json(books: Any) -> None:
    fill(books, 48)
    told = ["--state", str(books.folder), "--plant", str(demo_plant_path())]
    page = CliRunner().invoke(season_command, told, catch_exceptions=False).output
    assert "2026-01-01 to 2026-01-02, 100.0 % measured" in page
    assert "energy           2.9 +- " in page
    assert "capacity factor  40.0 +- " in page
    assert "2026-01" in page
    assert "no year before to compare with" in page
    assert "stage_m" in page
    found = json.loads(CliRunner().invoke(season_command, [*told, "--json"], catch_exceptions=False).output)
    assert round(found["energy_wh"]["value"]) == 48 * 60
    assert found["months"][0]["days"][0] == {"day": "2026-01-01", "energy_wh": 1440.0, "coverage": 1.0}
    assert found["flow_curve"] is None


def test_a_season_without_days(books: Any) -> None:
    fill(books, 3)
    told = ["--state", str(books.folder), "--from", "2030-01-01", "--to", "2030-02-01"]
    assert "no day has records in this range" in CliRunner().invoke(season_command, told).output


def test_a_match_needs_more_than_that(books: Any) -> None:
    fill(books, 3)
    told = ["--state", str(books.folder), "--plant", str(demo_plant_path())]
    refused = CliRunner().invoke(match_command, told)
    assert "a load test" in str(refused.exception)
    short = CliRunner().invoke(match_command, [*told, "--load", "8", "90"])
    assert "give --load three times" in str(short.exception)
    none = CliRunner().invoke(match_command, ["--state", str(books.folder)])
    assert "no plant is described" in str(none.exception)
