"""`wheelpit export` across a change of the clocks, read back by the standard library and by pyarrow."""

from __future__ import annotations

import csv
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from click.testing import CliRunner

from wheelpit.accounts.export import export, table
from wheelpit.cli import main
from wheelpit.store.days import LocalDays
from wheelpit.store.newfile import FileInTheWayError
from wheelpit.store.upkeep import prune

if TYPE_CHECKING:
    from pathlib import Path

HOUR = 3_600_000
# The night in which clocks in the United Kingdom go back at 02:00 BST to 01:00 GMT: the last Sunday of October
# (Summer Time Act 1972, as amended by the Summer Time Order 2002).
OCTOBER_25 = int(datetime(2026, 10, 24, 23, tzinfo=UTC).timestamp() * 1000)


@pytest.fixture
def filled(books: Any) -> Any:
    """Records of an hour each: 25 on the day in October, one on the day after, and one without a date."""
    for hour in range(1, 27):
        books.add(OCTOBER_25 + hour * HOUR, HOUR, charge_mwh=1_000 + hour, charge_valid_ms=HOUR)
    books.begin()
    books.add(None, HOUR, charge_mwh=77)
    return books


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def run(*words: str) -> Any:
    return CliRunner().invoke(main, ["export", *words])


def test_records_of_a_day_of_25_hours(filled: Any, tmp_path: Path) -> None:
    out = tmp_path / "day.csv"
    told = run(str(out), "--from", "2026-10-25", "--to", "2026-10-25")
    assert told.exit_code == 0, told.output
    assert "25 records of sallow-ghyll" in told.output
    assert "not in it: charge_mwh 77 in records whose date is not known yet" in told.output
    found = rows(out)
    assert len(found) == 25
    # One o'clock came twice; the offset tells which.
    ends = [row["end_time"] for row in found]
    assert ends[0:3] == [
        "2026-10-25T01:00:00.000+01:00",
        "2026-10-25T01:00:00.000+00:00",
        "2026-10-25T02:00:00.000+00:00",
    ]
    for row in found:
        assert datetime.fromisoformat(row["end_time"]).timestamp() * 1000 == int(row["end_utc_ms"])
        assert int(row["end_utc_ms"]) - int(row["start_utc_ms"]) == HOUR
    assert sum(int(row["charge_mwh"]) for row in found) == sum(1_000 + hour for hour in range(1, 26))


def test_no_record_is_in_two_days_and_none_is_left_out(filled: Any, tmp_path: Path) -> None:
    one, two, whole = (tmp_path / f"{name}.csv" for name in ("one", "two", "whole"))
    run(str(one), "--to", "2026-10-25")
    run(str(two), "--from", "2026-10-26")
    run(str(whole))
    numbers = [row["seq"] for path in (one, two) for row in rows(path)]
    assert numbers == [row["seq"] for row in rows(whole)]
    assert len(set(numbers)) == len(numbers) == 26


@pytest.mark.parametrize(("what", "count"), [("buckets", 26 * 6), ("days", 2)])
def test_roll_ups_add_up_to_the_records(filled: Any, tmp_path: Path, what: str, count: int) -> None:
    out = tmp_path / "out.csv"
    assert run(str(out), "--what", what).exit_code == 0
    found = rows(out)
    assert len(found) == count
    assert sum(int(row["charge_mwh"]) for row in found) == sum(1_000 + hour for hour in range(1, 27))
    if what == "days":
        assert [row["day"] for row in found] == ["2026-10-25", "2026-10-26"]
        assert [row["covered_ms"] for row in found] == [str(25 * HOUR), str(HOUR)]


def test_parquet_has_types_and_the_zone(filled: Any, tmp_path: Path) -> None:
    out = tmp_path / "out.parquet"
    assert run(str(out)).exit_code == 0
    read = pq.read_table(out)
    assert read.num_rows == 26
    assert str(read.schema.field("end_time").type) == "timestamp[ms, tz=Europe/London]"
    assert str(read.schema.field("charge_mwh").type) == "int64"
    ends = read.column("end_time").to_pylist()
    assert [end.timestamp() * 1000 for end in ends] == read.column("end_utc_ms").to_pylist()
    assert ends[0].isoformat() == "2026-10-25T01:00:00+01:00"


def test_it_is_read_one_day_at_a_time(filled: Any, tmp_path: Path) -> None:
    made = table(filled.reader, filled.site, "records", None, None)
    first, last = LocalDays("Europe/London").bounds(date(2026, 10, 25))
    block = next(made.blocks)
    ends = block[list(made.columns).index("end_utc_ms")]
    assert all(first < end_ms <= last for end_ms in ends)
    assert {len(cells) for cells in block} == {25}
    told: list[tuple[int, int]] = []
    made = table(
        filled.reader, filled.site, "days", None, None, progress=lambda done, of: told.append((done, of))
    )
    export(made, tmp_path / "x.csv", "csv")
    assert told == [(0, 2), (1, 2)]


def test_a_file_in_the_way_stays_and_a_failed_table_leaves_nothing(filled: Any, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("precious")
    assert "exists already" in run(str(out)).output
    assert out.read_text() == "precious"
    assert run(str(out), "--replace").exit_code == 0
    assert len(rows(out)) == 26

    def stops(_done: int, _of: int) -> None:
        raise KeyboardInterrupt

    made = table(filled.reader, filled.site, "records", None, None, progress=stops)
    with pytest.raises(KeyboardInterrupt):
        export(made, tmp_path / "never.csv", "csv")
    assert not list(tmp_path.glob("*never*"))
    with pytest.raises(FileInTheWayError):
        export(made, out, "parquet")
    told = run(str(tmp_path / "nowhere" / "x.csv"))
    assert told.exit_code == 2
    assert "cannot be written" in told.output


def test_days_of_which_only_sums_are_kept_are_named(filled: Any, tmp_path: Path) -> None:
    with filled.ledger.transaction() as db:
        assert prune(db, 1, 100) == 25
    told = run(str(tmp_path / "records.csv"))
    assert "1 records of" in told.output
    assert "not in it: 25 records of 1 days up to 2026-10-25, of which only sums are kept" in told.output
    told = run(str(tmp_path / "buckets.csv"), "--what", "buckets")
    assert "only sums" not in told.output
    assert len(rows(tmp_path / "buckets.csv")) == 26 * 6
