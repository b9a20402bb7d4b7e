"""That a person has seen an alarm: how the word reaches the ledger, and what becomes of the alarm.

States as in the standard life cycle of an alarm (IEC 62682 and ISA-18.2, figure of the state transitions, from
memory): unacknowledged, acknowledged, returned to normal unacknowledged, normal.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.contract.messages import Live
from wheelpit.places import announce
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.alarms import AlarmRow, AlarmStore, read_alarms
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.watch.requests import FOLDER, Requests, Seen
from wheelpit.watch.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PLANT = load_plant(demo_plant_path())
SITE = PLANT.site.id
START_MS = 1_760_000_000_000


class Service:
    """The service's part: a watch on the ledger, one transaction a second."""

    def __init__(self, state: Path) -> None:
        self.now_ms = START_MS
        self.ledger = Ledger(state / FILE, self.now_ms)
        with self.ledger.transaction() as db:
            db.execute("INSERT INTO site (site, time_zone) VALUES (?, 'Europe/London')", (SITE,))
        self.watch = Watch(PLANT, AlarmStore(self.ledger.connection), requests=Requests(state))
        self.left = state / FOLDER

    def second(self, battery_v: float | None = None, *, committed: bool = True) -> None:
        self.now_ms += 1_000
        live = Live(
            journal="ba00ba00ba00ba00", boot=1, up_ms=self.now_ms - START_MS, at_ms=None, clock="none",
            state="unknown", edge_age_ms=None, edge_gap_ms=None,
            values={"battery_v": battery_v, "battery_degc": 25.0},
        )  # fmt: skip
        db = self.ledger.connection
        db.execute("BEGIN IMMEDIATE")
        self.watch.live("bank", live, self.now_ms)
        self.watch.tick(self.now_ms)
        if committed:
            db.execute("COMMIT")
        else:
            db.execute("ROLLBACK")
            self.watch.reload()

    def seconds(self, count: int, battery_v: float | None = None) -> None:
        for _ in range(count):
            self.second(battery_v)

    @property
    def alarm(self) -> AlarmRow:
        (row,) = read_alarms(self.ledger.connection)
        return row

    @property
    def state(self) -> str:
        return self.alarm.state

    @property
    def files(self) -> list[str]:
        return [path.suffix for path in self.left.iterdir()] if self.left.is_dir() else []


@pytest.fixture
def service(state: Path) -> Iterator[Service]:
    made = Service(state)
    made.seconds(20, 15.5)
    assert made.state == "unacknowledged"
    yield made
    made.ledger.close()


def test_a_word_is_taken_in_the_next_second_and_deleted_once_that_is_committed(
    service: Service, state: Path
) -> None:
    Requests(state).leave(Seen.of(service.alarm, START_MS + 5_000))
    service.second(15.5, committed=False)
    assert service.state == "unacknowledged"
    service.second(15.5)
    assert (service.state, service.alarm.acknowledged_ms) == ("acknowledged", START_MS + 5_000)
    assert service.files == [".json"]
    service.second(15.5)
    assert service.files == []
    service.seconds(90, 14.0)
    assert service.state == "normal"


def test_an_alarm_that_is_over_and_that_nobody_saw_can_still_be_acknowledged(
    service: Service, state: Path
) -> None:
    service.seconds(90, 14.0)
    assert service.state == "returned, unacknowledged"
    for seen_ms in (START_MS + 200_000, START_MS + 300_000):
        Requests(state).leave(Seen.of(service.alarm, seen_ms))
        service.seconds(2, 14.0)
    assert (service.state, service.alarm.acknowledged_ms) == ("normal", START_MS + 200_000)


def test_what_stands_on_is_called_unseen_again_after_its_re_alarm_time(service: Service, state: Path) -> None:
    Requests(state).leave(Seen.of(service.alarm, service.now_ms))
    service.second(15.5)
    service.watch.reload()  # as a restart does
    service.seconds(3_500, 15.5)
    assert service.state == "acknowledged"
    service.seconds(110, 15.5)
    assert service.state == "unacknowledged"


def test_only_the_very_alarm_is_acknowledged_and_other_sites_words_stay(
    service: Service, state: Path
) -> None:
    row = service.alarm
    requests = Requests(state)
    requests.leave(Seen(SITE, row.node, row.condition, row.onset_ms - 1, service.now_ms))
    requests.leave(Seen("upper-mill", row.node, row.condition, row.onset_ms, service.now_ms))
    service.left.joinpath("7.json").write_text("seen", encoding="utf-8")
    service.seconds(3, 15.5)
    assert service.state == "unacknowledged"
    assert sorted(service.files) == [".json", ".unusable"]
    (other,) = service.left.glob("*.json")
    assert json.loads(other.read_text(encoding="utf-8"))["site"] == "upper-mill"


def test_the_command_waits_for_a_service_that_runs(
    service: Service, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wheelpit.commands.alarms.time.sleep", lambda _seconds: service.second(15.5))
    with announce(state, "serve", site=SITE, broker="127.0.0.1:1"):
        told = CliRunner().invoke(main, ["alarms", "--acknowledge", "1"])
        assert (told.exit_code, told.output) == (
            0,
            "alarm 1 (The battery is being overcharged) is acknowledged; it stands on\n",
        )
        again = CliRunner().invoke(main, ["alarms", "--acknowledge", "1"])
        assert "was acknowledged before" in again.output
    assert "acknowledged" in CliRunner().invoke(main, ["alarms"]).output


def test_without_a_service_the_word_is_written_down_and_an_unknown_number_is_refused(
    service: Service, state: Path
) -> None:
    told = CliRunner().invoke(main, ["alarms", "--acknowledge", "1", "--acknowledge", "1"])
    assert (told.exit_code, told.output.count("written down")) == (0, 1)
    assert service.files == [".json"]
    refused = CliRunner().invoke(main, ["alarms", "--acknowledge", "1", "--acknowledge", "9"])
    assert refused.exit_code == 2
    assert "no alarm has the number 9" in refused.output
    assert service.files == [".json"]
    service.seconds(2, 15.5)
    assert service.state == "acknowledged"
