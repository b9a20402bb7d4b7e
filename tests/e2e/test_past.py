"""A demo's new ledger has a past to look at, booked like anything else."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from wheelpit.accounts.books import day_books
from wheelpit.demo.past import give_past
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from pathlib import Path

PLANT = load_plant(demo_plant_path())
TODAY = dt.date(2026, 11, 25)


def test_the_days_before_today_are_booked_whole(tmp_path: Path) -> None:
    records = give_past(tmp_path / "ledger.db", PLANT, 2, TODAY)
    reader = LedgerReader(tmp_path / "ledger.db")
    site = PLANT.site.id
    now_ms = int(dt.datetime.combine(TODAY, dt.time(), dt.UTC).timestamp() * 1000)
    books = day_books(reader, site, PLANT, None, None, now_ms=now_ms)
    assert [book.day for book in books] == [dt.date(2026, 11, 23), dt.date(2026, 11, 24)]
    assert all(book.coverage == 1 for book in books)
    assert len(reader.records(site, 0, now_ms)) == records
    assert reader.gaps(site) == []
