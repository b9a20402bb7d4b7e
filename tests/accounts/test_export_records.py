"""Each cell of an exported record, written out by hand from what the columns are said to hold.

`docs` of the columns: a total is what the record added since the one before it, a value is in the unit that its name
ends with, what was not measured is an empty cell, a fault is named, times bear their offset (ISO 8601) and are in UTC
milliseconds beside it.
"""

from __future__ import annotations

import csv
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest

from wheelpit.accounts.export import export, table
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from pathlib import Path

SITE = "sallow-ghyll"
NOON = int(datetime(2026, 6, 1, 11, tzinfo=UTC).timestamp() * 1000)  # 12:00 in London, British Summer Time


def a_record(n: int, **told: Any) -> Record:
    seq = SEQ_PER_BOOT + n
    usual: dict[str, Any] = {
        "seq": seq, "first": seq, "up_ms": 10_000 * n, "dur_ms": 10_000, "span_ms": 10_000,
        "end_ms": NOON + 10_000 * n, "clock": "host", "state": "turning",
    }  # fmt: skip
    return Record(**(usual | told))


@pytest.fixture
def reader(state: Path) -> LedgerReader:
    """Two nodes whose records say different things, the wheel's in two layouts."""
    wheel = [
        a_record(
            1, mean={"battery_v": 12.5, "charge_a": -0.125}, min={"battery_v": 12.25, "charge_a": -0.25},
            max={"battery_v": 12.75, "charge_a": 0.0}, total={"charge_mwh": 100, "charge_valid_ms": 10_000},
        ),
        a_record(
            2, mean={"battery_v": None, "charge_a": 1.0}, min={"battery_v": None, "charge_a": 1.0},
            max={"battery_v": None, "charge_a": 1.0}, total={"charge_mwh": 350, "charge_valid_ms": 19_500},
            dur_ms=9_500, faults={"battery_v": "absent"},
        ),
        a_record(
            3, mean={"wheel_rpm": 8.109}, min={"wheel_rpm": 8.1}, max={"wheel_rpm": 8.2},
            total={"wheel_mrev": 1_250}, state="slow", clock="ntp", end_ms=NOON + 30_001,
        ),
    ]  # fmt: skip
    with Ledger(state / FILE, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, SITE, "Europe/London")
        keeper.records("wheel", Sent("0" * 16, 0, wheel), "t", NOON + 60_000)
        battery = a_record(1, mean={"battery_v": 13.0}, min={"battery_v": 13.0}, max={"battery_v": 13.0},
                           total={"battery_in_mwh": 7})  # fmt: skip
        keeper.records("battery", Sent("1" * 16, 0, [battery]), "t", NOON + 60_000)
        keeper.flush()
    return LedgerReader(state / FILE)


def written(reader: LedgerReader, out: Path) -> list[dict[str, str]]:
    export(table(reader, SITE, "records", None, None), out, "csv")
    with out.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def full(row: dict[str, str]) -> dict[str, str]:
    return {name: cell for name, cell in row.items() if cell}


def cells(second: str, n: int, **more: str) -> dict[str, str]:
    """Return what is usual: ten seconds that end at a second after noon in London."""
    end_ms = NOON + 10_000 * n
    return {
        "seq": str(SEQ_PER_BOOT + n),
        "start_time": f"2026-06-01T12:00:{10 * (n - 1):02}.000+01:00",
        "end_time": f"2026-06-01T12:00:{second}+01:00",
        "start_utc_ms": str(end_ms - 10_000),
        "end_utc_ms": str(end_ms),
        "span_ms": "10000",
        "dur_ms": "10000",
        "clock": "host",
        "state": "turning",
    } | more


def test_every_cell_of_a_record(reader: LedgerReader, tmp_path: Path) -> None:
    battery, first, second, third = written(reader, tmp_path / "out.csv")
    assert full(battery) == cells(
        "10.000", 1, node="battery", battery_v_mean="13.0", battery_v_min="13.0", battery_v_max="13.0",
        battery_in_mwh="7",
    )  # fmt: skip
    assert full(first) == cells(
        "10.000", 1, node="wheel", battery_v_mean="12.5", battery_v_min="12.25", battery_v_max="12.75",
        charge_a_mean="-0.125", charge_a_min="-0.25", charge_a_max="0.0", charge_mwh="100", charge_valid_ms="10000",
    )  # fmt: skip
    # Volts were not measured, half a second is missing, and totals are what was added.
    assert full(second) == cells(
        "20.000", 2, node="wheel", dur_ms="9500", battery_v_fault="absent", charge_a_mean="1.0", charge_a_min="1.0",
        charge_a_max="1.0", charge_mwh="250", charge_valid_ms="9500",
    )  # fmt: skip
    # Other channels and totals than before, and a clock that moved by a millisecond.
    assert full(third) == cells(
        "30.001", 3, node="wheel", clock="ntp", state="slow", start_time="2026-06-01T12:00:20.001+01:00",
        start_utc_ms=str(NOON + 20_001), end_utc_ms=str(NOON + 30_001), wheel_rpm_mean="8.109", wheel_rpm_min="8.1",
        wheel_rpm_max="8.2", wheel_mrev="1250",
    )  # fmt: skip


def test_it_is_what_the_reader_gives_record_by_record(reader: LedgerReader, tmp_path: Path) -> None:
    rows = reader.records(SITE, NOON - 86_400_000, NOON + 86_400_000)
    found = written(reader, tmp_path / "out.csv")
    assert len(found) == len(rows) == 4
    channels, totals = reader.columns(SITE)
    for cell, row in zip(found, rows, strict=True):
        assert [
            cell[name] for name in ("node", "seq", "start_utc_ms", "end_utc_ms", "span_ms", "dur_ms")
        ] == [str(told) for told in (row.node, row.seq, row.start_ms, row.end_ms, row.span_ms, row.dur_ms)]
        assert [cell["clock"], cell["state"]] == [row.clock, row.state]
        for name in channels:
            told = [row.mean.get(name), row.min.get(name), row.max.get(name), row.faults.get(name)]
            there = [cell[f"{name}_{which}"] for which in ("mean", "min", "max", "fault")]
            assert there == ["" if value is None else str(value) for value in told]
        for name in totals:
            assert cell[name] == str(row.totals.get(name, ""))


def test_parquet_has_the_same_cells(reader: LedgerReader, tmp_path: Path) -> None:
    export(table(reader, SITE, "records", None, None), tmp_path / "out.parquet", "parquet")
    for told, row in zip(
        written(reader, tmp_path / "out.csv"),
        pq.read_table(tmp_path / "out.parquet").to_pylist(),
        strict=True,
    ):
        assert told == {
            name: ""
            if cell is None
            else cell.isoformat(timespec="milliseconds")
            if isinstance(cell, datetime)
            else str(cell)
            for name, cell in row.items()
        }


def test_the_ledger_is_not_held_open_while_a_day_is_written(reader: LedgerReader, tmp_path: Path) -> None:
    blocks = table(reader, SITE, "records", None, None).blocks
    next(blocks)
    # A reader that is still inside the ledger would keep its log from being folded back whole.
    with closing(sqlite3.connect(reader.path)) as db:
        db.execute("UPDATE ledger SET seen_ms = seen_ms + 1")
        db.commit()
        busy, _, _ = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
