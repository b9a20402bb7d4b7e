"""Records are found by time as a plain look through all of them finds them; ledgers of every released version come up."""

from __future__ import annotations

import gzip
import random
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.reader import LedgerReader
from wheelpit.store.recordcolumns import record_columns
from wheelpit.store.stretches import HOUR_MS, dated, first_from

if TYPE_CHECKING:
    from collections.abc import Callable

KEPT = Path(__file__).parent / "kept"
NOW_MS = 1_780_311_600_000


def plain(db: sqlite3.Connection, source_id: int, from_ms: int, to_ms: int) -> list[Any]:
    return db.execute(
        "SELECT seq, end_ms, layout_id, body FROM record WHERE source_id = ? AND end_ms > ? AND end_ms <= ? "
        "ORDER BY end_ms, journal_id, seq",
        (source_id, from_ms, to_ms),
    ).fetchall()


@pytest.mark.parametrize("version", [1, 2])
def test_a_ledger_of_an_older_version_comes_up_with_every_record(version: int, tmp_path: Path) -> None:
    path = tmp_path / FILE
    path.write_bytes(gzip.decompress((KEPT / f"ledger-{version}.db.gz").read_bytes()))
    before = sqlite3.connect(path)
    assert before.execute("PRAGMA user_version").fetchone() == (version,)
    rows = before.execute("SELECT * FROM record ORDER BY journal_id, seq").fetchall()
    days = before.execute("SELECT * FROM day ORDER BY source_id, day").fetchall()
    before.close()
    with Ledger(path, NOW_MS) as ledger:
        db = ledger.connection
        assert db.execute("SELECT * FROM record ORDER BY journal_id, seq").fetchall() == rows
        assert db.execute("SELECT * FROM day ORDER BY source_id, day").fetchall() == days
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        for source_id in (1, 2):
            found = [row for block in dated(db, source_id, 0, 1 << 60) for row in block]
            assert found == plain(db, source_id, 0, 1 << 60)
            assert len(found) > 250
    reader = LedgerReader(path)
    assert len(reader.records("site", 0, 1 << 60)) == sum(row[4] is not None for row in rows)
    assert sum(
        len(block.end_ms) for block in record_columns(reader, "site", 0, 1 << 60, totals=("charge_mwh",))
    ) == len(reader.records("site", 0, 1 << 60))


def test_dates_in_any_order_are_found_by_time(tmp_path: Path) -> None:
    rng = random.Random(3)  # noqa: S311 - test data, no secret
    with Ledger(tmp_path / FILE, NOW_MS) as ledger:
        with ledger.transaction() as db:
            db.execute("INSERT INTO site VALUES (1, 's', 'UTC')")
            db.executemany(
                "INSERT INTO source (source_id, site_id, node) VALUES (?, 1, ?)", [(1, "a"), (2, "b")]
            )
            db.executemany("INSERT INTO journal (journal_id, journal) VALUES (?, ?)", [(1, "x"), (2, "y")])
            db.execute("INSERT INTO layout VALUES (1, '', '')")
            for seq in range(1, 600):
                end_ms = None if seq % 50 == 0 else NOW_MS + rng.randrange(40) * HOUR_MS // 4
                db.execute(
                    "INSERT INTO record VALUES (?, ?, ?, 1, ?, x'00')",
                    (1 + seq % 2, seq, 1 + seq % 3 // 2, end_ms),
                )
            db.execute("UPDATE record SET end_ms = ? WHERE seq = 50", (NOW_MS - 5 * HOUR_MS,))
        for _ in range(60):
            low, high = sorted(NOW_MS + rng.randrange(-7 * HOUR_MS, 12 * HOUR_MS) for _ in range(2))
            for source_id in (1, 2):
                wanted = plain(db, source_id, low, high)
                assert [row for block in dated(db, source_id, low, high) for row in block] == wanted
                first = db.execute(
                    "SELECT min(end_ms) FROM record WHERE source_id = ? AND end_ms >= ?", (source_id, low)
                ).fetchone()[0]
                assert first_from(db, source_id, low) == first


def test_a_search_by_time_reads_no_record_of_another_hour(desk: Any, record: Callable[..., Any]) -> None:
    desk.take(record(1))
    plan = " ".join(
        row[3]
        for row in desk.ledger.connection.execute(
            "EXPLAIN QUERY PLAN SELECT body FROM dated WHERE source_id = 1 AND hour BETWEEN 1 AND 2"
        )
    )
    assert "SEARCH stretch USING PRIMARY KEY (source_id=? AND hour>? AND hour<?)" in plan
    assert "SEARCH record USING PRIMARY KEY (journal_id=? AND seq>? AND seq<?)" in plan
