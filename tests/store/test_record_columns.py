"""Full records as columns are the records that the reader gives row by row."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.packing import STATES
from wheelpit.store.reader import LedgerReader
from wheelpit.store.recordcolumns import record_columns

if TYPE_CHECKING:
    from pathlib import Path

AT = 1_780_315_200_000
TOTALS = ("charge_mwh", "charge_valid_ms", "wheel_mrev", "stopped_ms")
VALUES = (("battery_v", "mean"), ("battery_v", "min"), ("charge_a", "max"), ("battery_degc", "mean"))


@pytest.fixture
def reader(state: Path) -> LedgerReader:
    records = []
    for n in range(1, 31):
        volts = None if n % 7 == 0 else 12 + n / 1000
        mean = {"battery_v": volts, "charge_a": -n / 8}
        records.append(
            Record(
                seq=SEQ_PER_BOOT + n, first=SEQ_PER_BOOT + n, up_ms=10_000 * n, dur_ms=10_000, span_ms=10_000,
                end_ms=AT + 10_000 * n, clock="host", state="stopped" if n % 5 else "slow", mean=mean,
                min={"battery_v": None if volts is None else volts - 0.1, "charge_a": -n / 8},
                max={"battery_v": volts, "charge_a": n * 3.5},
                total={"charge_mwh": n * n * 100_003, "charge_valid_ms": 10_000 * n - n // 3, "wheel_mrev": 7 * n},
            )
        )  # fmt: skip
    with Ledger(state / FILE, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, "mill", "UTC")
        keeper.records("wheel", Sent("0" * 16, 0, records), "t", AT + 400_000)
        keeper.flush()
    return LedgerReader(state / FILE)


def test_columns_are_the_rows(reader: LedgerReader) -> None:
    begin, end = AT + 95_000, AT + 205_000
    rows = reader.records("mill", begin, end)
    (block,) = record_columns(reader, "mill", begin, end, totals=TOTALS, values=VALUES)
    assert block.node == "wheel"
    assert block.start_ms.tolist() == [row.start_ms for row in rows]
    assert block.end_ms.tolist() == [row.end_ms for row in rows]
    assert [STATES[state] for state in block.state] == [row.state for row in rows]
    for name in TOTALS[:3]:
        assert block.totals[name].tolist() == [row.totals[name] for row in rows]
    assert "stopped_ms" not in block.totals
    assert ("battery_degc", "mean") not in block.values
    for channel, which in VALUES[:3]:
        wanted = [getattr(row, which)[channel] for row in rows]
        found = block.values[channel, which].tolist()
        assert [None if math.isnan(value) else value for value in found] == pytest.approx(wanted)


def test_nothing_is_found_where_nothing_is(reader: LedgerReader) -> None:
    assert list(record_columns(reader, "mill", AT + 10**9, AT + 2 * 10**9, totals=TOTALS)) == []
    assert list(record_columns(reader, "other", 0, 1 << 50, totals=TOTALS)) == []


def test_a_body_that_does_not_fit_is_an_error(reader: LedgerReader, state: Path) -> None:
    with Ledger(state / FILE, 0) as ledger, ledger.transaction() as db:
        db.execute("UPDATE record SET body = ? WHERE seq = ?", (b"\x01\x02", SEQ_PER_BOOT + 4))
    with pytest.raises(ValueError, match="were expected"):
        list(record_columns(reader, "mill", 0, 1 << 50, totals=TOTALS))
