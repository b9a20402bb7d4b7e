"""The board of a machine that has no ledger: it shows the days that a database has."""

from __future__ import annotations

import shutil
import time
from typing import TYPE_CHECKING, Any

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from wheelpit.accounts.books import day_books
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.places import bundled
from wheelpit.plant import demo_plant_path
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.choose import ENVIRONMENT
from wheelpit.store.database import BUCKET, TOKEN, URL
from wheelpit.store.ledger import FILE, Ledger

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow

SITE = "sallow-ghyll"


def test_days_and_season_show_what_was_forwarded(
    influx: Any,
    forward: Callable[..., Any],
    state: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now_ms = time.time_ns() // 1_000_000
    records = [
        Record(
            seq=SEQ_PER_BOOT + n, first=SEQ_PER_BOOT + n, up_ms=n * 600_000, dur_ms=600_000, span_ms=600_000,
            end_ms=now_ms - (300 - n) * 600_000, clock="host", state="turning",
            mean={"battery_v": 13.1}, min={}, max={},
            total={"charge_mwh": n * 11_111, "charge_valid_ms": n * 600_000},
        )
        for n in range(1, 289)
    ]  # fmt: skip
    elsewhere = tmp_path / "mill"
    elsewhere.mkdir()
    with Ledger(elsewhere / FILE, 0) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, SITE, "Europe/London")
        keeper.records("wheel", Sent("0" * 16, 0, records), "t", now_ms)
        keeper.flush()
    desk = forward(influx.where, elsewhere)
    desk.all()
    shutil.copy(demo_plant_path(), state / "plant.toml")
    for name, value in (
        (ENVIRONMENT, "influx"),
        (URL, influx.where.url),
        (BUCKET, influx.where.bucket),
        (TOKEN, influx.where.token),
    ):
        monkeypatch.setenv(name, value)
    st.cache_data.clear()
    app = AppTest.from_file(bundled("dashboards") / "streamlit_app.py", default_timeout=60).run()
    app = app.switch_page("app_pages/days.py").run()
    st.cache_data.clear()
    assert not app.exception, app.exception
    (table,) = app.dataframe
    books = day_books(desk.ledger, SITE, None)
    shown = [value for value in table.value.iloc[:, 1].tolist() if value == value]  # noqa: PLR0124 - not a number
    assert sorted(shown) == pytest.approx(
        sorted((book.energy_wh or 0.0) / 1000 for book in books),
        abs=0.0006,  # the page shows kWh
    )
    app = app.switch_page("app_pages/season.py").run()
    st.cache_data.clear()
    assert not app.exception, app.exception
    assert not app.error, app.error
    shown_kwh = sum(book.energy_wh or 0.0 for book in books) / 1000
    words = " ".join(str(each.proto) for each in app.main)
    assert f"{shown_kwh:.1f}" in words, words
    assert not (state / FILE).exists()
