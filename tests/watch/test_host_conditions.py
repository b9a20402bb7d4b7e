"""What is watched of the host itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from wheelpit.plant import demo_plant_path
from wheelpit.plant.load import load_plant
from wheelpit.store.alarms import AlarmStore, read_alarms
from wheelpit.store.ledger import Ledger
from wheelpit.store.rows import HostSeen
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SITE = "sallow-ghyll"
NOON_MS = 1_790_000_000_000


class Bench:
    def __init__(self, path: Path) -> None:
        self.now_ms = NOON_MS
        self.ledger = Ledger(path, self.now_ms)
        self.start()

    def start(self) -> None:
        with self.ledger.transaction() as db:
            self.watch = Watch(load_plant(demo_plant_path()), AlarmStore(db))

    def see(self, seconds: int, **seen: object) -> None:
        for _ in range(seconds):
            self.now_ms += 1000
            with self.ledger.transaction():
                self.watch.host(HostSeen(**seen), self.now_ms)  # type: ignore[arg-type] # by name
                self.watch.tick(self.now_ms)

    def open(self) -> list[str]:
        return [row.condition for row in read_alarms(self.ledger.connection, SITE, open_only=True)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db")
    yield made
    made.ledger.close()


def test_two_boards_are_an_alarm_at_once_and_over_when_the_dispute_is(bench: Bench) -> None:
    bench.see(3)
    assert bench.open() == []
    bench.see(1, stores_in_dispute=1)
    assert bench.open() == ["two_boards"]
    (row,) = read_alarms(bench.ledger.connection, SITE)
    assert (row.node, row.priority, row.value) == ("host", "medium", 1.0)
    body = bench.ledger.connection.execute("SELECT body FROM outbox").fetchone()[0]
    assert "the host" in body
    assert "node host" not in body
    bench.see(70)
    assert bench.open() == []


def test_a_clock_that_is_behind_for_a_minute_is_an_alarm(bench: Bench) -> None:
    bench.see(59, clock_behind=True)
    assert bench.open() == []
    bench.see(3, clock_behind=True)
    assert bench.open() == ["host_clock_behind"]


def test_dropped_messages_are_one_alarm_until_an_hour_has_passed_without(bench: Bench) -> None:
    bench.see(1, dropped=12)
    for _ in range(20):
        bench.see(9)  # the broker says its count every ten seconds
        bench.see(1, dropped=1)
    assert bench.open() == ["messages_dropped"]
    for _ in range(400):
        bench.see(9)
        bench.see(1, dropped=0)
    assert bench.open() == []
    assert len(read_alarms(bench.ledger.connection, SITE)) == 1


def test_a_standing_alarm_of_the_host_survives_a_restart(bench: Bench) -> None:
    bench.see(1, stores_in_dispute=1)
    bench.start()
    bench.see(5, stores_in_dispute=1)
    assert bench.open() == ["two_boards"]
    assert len(read_alarms(bench.ledger.connection, SITE)) == 1
    bench.see(70)
    bench.see(1, stores_in_dispute=1)
    assert len(read_alarms(bench.ledger.connection, SITE)) == 2


def test_the_host_is_no_node_whose_silence_could_be_an_alarm(bench: Bench) -> None:
    bench.see(1, stores_in_dispute=1)
    bench.start()
    for _ in range(300):
        bench.now_ms += 1000
        with bench.ledger.transaction():
            bench.watch.tick(bench.now_ms)
    assert bench.open() == ["two_boards"]
