"""From columns to the wire's records, and through the real booking code into a ledger."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest

from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.demo.past import Past, PastError
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.reader import LedgerReader
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.messages import birth_of, journal_of, records_for_ledger
from wheelpit.twin.fast.orders import Orders, Outage
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.season import DailyFlow

if TYPE_CHECKING:
    from pathlib import Path

    from wheelpit.twin.fast.records import RecordColumns

DEMO = load_plant(demo_plant_path())
DAY = dt.date(2025, 6, 1)


def made(hours: float = 3, *, outages: tuple[Outage, ...] = ()) -> tuple[Recorder, list[RecordColumns]]:
    dead = Orders(faults=(Episode("sensor-dead:charge_a", 600.0, 1.0, 0.0, 1200.0),))
    twin = FastTwin(DEMO, first_day=DAY, source=DailyFlow([8.0]), orders=dead)
    recorder = Recorder(DEMO, "wheel", seed=1, first_day=DAY, outages=outages)
    return recorder, list(recorder.record(twin.run(hours * 3600)))


def test_each_record_has_the_numbers_of_its_row() -> None:
    _, (columns,) = made()
    records = [record for part in records_for_ledger(columns, 100) for record in part]
    assert len(records) == columns.size
    for place in (0, 70, 99, 100, 1079):
        record = records[place]
        assert record.seq == record.first == SEQ_PER_BOOT + 1 + place
        assert record.end_ms == columns.end_ms[place]
        assert record.up_ms == columns.up_ms[place]
        assert record.span_ms == record.dur_ms == 10_000
        assert record.total == {name: total[place] for name, total in columns.total.items()}
        for name, mean in record.mean.items():
            if mean is None:
                assert np.isnan(columns.mean[name][place])
                assert record.min[name] is None
                assert record.max[name] is None
            else:
                assert (mean, record.min[name], record.max[name]) == (
                    columns.mean[name][place], columns.least[name][place], columns.most[name][place],
                )  # fmt: skip
    assert records[70].mean["charge_a"] is None
    assert records[70].faults == {"charge_a": "bus"}
    assert records[0].faults == {}


def test_they_pass_the_wire_s_own_check() -> None:
    _, (columns,) = made(0.5)
    for part in records_for_ledger(columns):
        for record in part:
            assert msgspec.json.decode(msgspec.json.encode(record), type=Record) == record


def test_a_ledger_books_them_all_by_day(tmp_path: Path) -> None:
    recorder, parts = made(50, outages=(Outage(30 * 3600.0, 31 * 3600.0),))
    with Past(tmp_path / "ledger.db", DEMO, "wheel", recorder, 1) as past:
        for columns in parts:
            past.add(columns)
        assert past.records == sum(columns.size for columns in parts) == 49 * 360
    reader = LedgerReader(tmp_path / "ledger.db")
    site = DEMO.site.id
    assert reader.sites() == [site]
    days = reader.days(site, None, None)
    assert sum(day.records for day in days) == 49 * 360
    assert sum(day.span_ms for day in days) == 49 * 3_600_000
    for name in parts[0].total:
        booked = sum(day.totals[name] for day in days)
        assert booked == sum(int(columns.total[name][-1]) for columns in parts), name
    assert reader.gaps(site) == []
    assert reader.dead_letters(10) == []
    assert reader.undated(site) == {}
    (node,) = reader.nodes(site)
    assert (node.node, node.journal) == ("wheel", journal_of(site, "wheel", 1))
    assert node.head_seq == 2 * SEQ_PER_BOOT + parts[1].size


def test_the_same_past_twice_is_refused(tmp_path: Path) -> None:
    recorder, (columns,) = made(0.2)
    for times in range(2):
        with Past(tmp_path / "ledger.db", DEMO, "wheel", recorder, 1) as past:
            if times:
                with pytest.raises(PastError, match="another seed"):
                    past.add(columns)
            else:
                past.add(columns)


def test_a_store_s_id_goes_with_site_node_and_seed() -> None:
    ids = {journal_of(site, node, seed) for site in ("a", "b") for node in ("a", "b") for seed in (1, 2)}
    assert len(ids) == 8
    assert all(len(name) == 16 and int(name, 16) >= 0 for name in ids)


def test_the_birth_tells_what_the_records_have() -> None:
    recorder, (columns,) = made(0.2)
    birth = birth_of(recorder, "0" * 16, columns)
    assert birth.newest == SEQ_PER_BOOT + columns.size
    assert set(birth.channels) == DEMO.channels
    assert birth.totals == list(columns.total)
