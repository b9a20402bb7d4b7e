"""Ten-minute rows are the ledger's roll-ups, and what is kept beside it never outlives them."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from wheelpit.accounts.season_rows import read_ten_minutes

if TYPE_CHECKING:
    from pathlib import Path

MIDNIGHT_MS = round(dt.datetime(2026, 3, 28, tzinfo=dt.UTC).timestamp() * 1000)
HOUR_MS = 3_600_000
SITE = "sallow-ghyll"
ALL_MWH = 6 * sum(range(1, 73))


@pytest.fixture
def filled(books: Any) -> Any:
    # Over the night in which the clocks of London go forward: the 29th has 23 hours.
    for n in range(1, 73):
        books.add(MIDNIGHT_MS + n * HOUR_MS, HOUR_MS, charge_mwh=6 * n, charge_valid_ms=HOUR_MS)
    return books


def test_rows_are_the_roll_ups(filled: Any) -> None:
    ten = read_ten_minutes(filled.reader, SITE)
    assert [(span.day.isoformat(), span.end - span.begin) for span in ten.days] == [
        ("2026-03-28", 144), ("2026-03-29", 138), ("2026-03-30", 144), ("2026-03-31", 144),
    ]  # fmt: skip
    assert ten.columns["charge_mwh"][:432].tolist() == np.repeat(np.arange(1, 73), 6).tolist()
    assert ten["charge_mwh"][432:].sum() == 0
    assert ten.measured()[:432].min() == 1.0
    assert ten.power_w()[8] == pytest.approx(2 * 6 / 1000)
    assert np.isnan(ten["wheel_rpm"]).all()


def test_days_without_records_are_empty_rows(filled: Any) -> None:
    filled.begin()
    filled.add(MIDNIGHT_MS + 10 * 24 * HOUR_MS, charge_mwh=5, charge_valid_ms=600_000)
    ten = read_ten_minutes(filled.reader, SITE)
    assert np.diff(ten.start_ms).tolist() == [600_000] * (ten.size - 1)
    assert ten["charge_mwh"].sum() == ALL_MWH + 5


def test_what_is_kept_gives_the_same_and_a_late_record_changes_its_day(filled: Any, tmp_path: Path) -> None:
    kept = tmp_path / "season.db"
    told: list[tuple[int, int]] = []
    fresh = read_ten_minutes(filled.reader, SITE, keep=kept, progress=lambda *done: told.append(done))
    again = read_ten_minutes(filled.reader, SITE, keep=kept, progress=lambda *done: told.append(done))
    assert told == [(4, 4)]
    for name, column in fresh.columns.items():
        assert np.array_equal(column, again.columns[name], equal_nan=True), name
    filled.add(MIDNIGHT_MS + 433 * 600_000, 600_000, charge_mwh=1000, charge_valid_ms=600_000)
    later = read_ten_minutes(filled.reader, SITE, keep=kept, progress=lambda *done: told.append(done))
    assert told[1:] == [(1, 1)]
    assert later["charge_mwh"].sum() == fresh["charge_mwh"].sum() + 1000


def test_a_spoilt_file_costs_time_and_nothing_else(filled: Any, tmp_path: Path) -> None:
    kept = tmp_path / "season.db"
    kept.write_bytes(b"not a database at all" * 100)
    assert read_ten_minutes(filled.reader, SITE, keep=kept)["charge_mwh"].sum() == ALL_MWH
    nowhere = tmp_path / "none" / "season.db"
    assert read_ten_minutes(filled.reader, SITE, keep=nowhere).size == 570
