"""Overcharge, high voltage before the converter, and silence: when each is an alarm, and when not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.watch.bank import START_MS, Bank

from wheelpit.store.alarms import OutOfStepError
from wheelpit.watch.requests import Seen

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def bank() -> Iterator[Bank]:
    made = Bank()
    yield made
    made.db.close()


def test_overcharge_is_raised_after_three_seconds_and_within_twelve(bank: Bank) -> None:
    bank.run(60, battery_v=14.4, battery_degc=25.0)
    began_ms = bank.now_ms
    bank.run(20, battery_v=15.05, battery_degc=25.0)
    (alarm,) = bank.alarms
    assert (alarm.condition, alarm.priority, alarm.value, alarm.limit, alarm.unit) == (
        "overcharge",
        "critical",
        15.05,
        15.0,
        "V",
    )
    assert 3_000 <= alarm.raised_ms - began_ms <= 12_000
    assert alarm.remedy == "Do not open or spark near the bank. Close the water; switch loads on."
    assert "daylight" not in alarm.remedy
    assert "15.00 V at 25.0 °C" in alarm.reason


@pytest.mark.parametrize(
    ("battery_v", "battery_degc"),
    [
        pytest.param(15.0, 0.0, id="absorption in a freezing night"),
        pytest.param(15.1, -5.0, id="absorption at -5 °C"),
        pytest.param(15.1, None, id="absorption in the cold without a thermometer"),
        pytest.param(14.4, 25.0, id="absorption"),
        pytest.param(13.9, 44.0, id="absorption in the heat"),
    ],
)
def test_absorption_is_no_overcharge(bank: Bank, battery_v: float, battery_degc: float | None) -> None:
    bank.run(3_600, battery_v=battery_v, battery_degc=battery_degc)
    assert bank.raised == []


def test_the_limit_follows_the_temperature(bank: Bank) -> None:
    bank.run(60, battery_v=14.8, battery_degc=40.0)
    assert bank.raised == ["overcharge"]
    assert bank.alarms[0].limit == pytest.approx(15.0 - 0.024 * 15)


def test_without_a_thermometer_overcharge_is_still_found_above_the_wider_limit(bank: Bank) -> None:
    bank.run(60, battery_v=15.8)
    assert bank.raised == ["overcharge"]


def test_a_thermometer_that_fails_does_not_end_the_overcharge_it_had_found(bank: Bank) -> None:
    bank.run(30, battery_v=15.3, battery_degc=25.0)
    bank.run(300, battery_v=15.3, battery_degc=None)
    assert [row.open for row in bank.alarms] == [True]
    bank.run(90, battery_v=14.3, battery_degc=None)
    assert [row.open for row in bank.alarms] == [False]


def test_a_voltage_chopped_by_pwm_is_no_overcharge(bank: Bank) -> None:
    for _ in range(300):
        bank.run(2, battery_v=15.2, battery_degc=25.0)
        bank.run(2, battery_v=14.3, battery_degc=25.0)
    assert bank.raised == []


def test_a_kettle_is_nothing(bank: Bank) -> None:
    bank.run(60, battery_v=13.2, battery_degc=15.0, charge_a=5.0)
    bank.run(240, battery_v=12.5, battery_degc=15.0, charge_a=5.0)
    bank.run(60, battery_v=13.1, battery_degc=15.0, charge_a=5.0)
    assert bank.raised == []


def test_a_reading_that_fails_neither_raises_nor_clears(bank: Bank) -> None:
    bank.run(4, battery_v=15.5, battery_degc=25.0)
    bank.run(60, battery_v=None, battery_degc=25.0)
    assert bank.raised == []
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    bank.run(600, battery_v=None, battery_degc=25.0)
    assert [row.open for row in bank.alarms] == [True]


def test_a_lost_load_is_told_and_the_jump_of_an_open_circuit_test_is_not(bank: Bank) -> None:
    for _ in range(12):
        bank.run(299, rectified_v=23.9)
        bank.run(1, rectified_v=34.7)
    bank.run(300, rectified_v=39.0)
    assert bank.raised == []
    bank.run(10, rectified_v=55.0)
    (alarm,) = bank.alarms
    assert (alarm.condition, alarm.priority) == ("rectified_high", "critical")
    assert alarm.remedy == "Keep hands off the wiring. Close the water from where you stand dry."
    # The capacitor holds its voltage long after the wheel stood.
    bank.run(300, rectified_v=39.0)
    assert bank.alarms[0].open
    bank.run(60, rectified_v=30.0)
    assert not bank.alarms[0].open


def test_silence_is_lost_telemetry_after_its_delay_and_once(bank: Bank) -> None:
    bank.run(60, battery_v=13.0)
    heard_ms = bank.now_ms
    bank.silence(50)
    assert bank.raised == []
    bank.silence(3_600)
    (alarm,) = bank.alarms
    assert (alarm.condition, alarm.priority, alarm.onset_ms) == ("telemetry_lost", "medium", heard_ms)
    assert 60_000 <= alarm.raised_ms - heard_ms <= 65_000
    bank.run(120, battery_v=13.0)
    assert [row.open for row in bank.alarms] == [False]


def test_a_reconnect_within_the_delay_is_nothing(bank: Bank) -> None:
    for _ in range(20):
        bank.run(60, battery_v=13.0)
        bank.watch.status("bank", online=False, now_ms=bank.now_ms)
        bank.silence(40)
        bank.watch.status("bank", online=True, now_ms=bank.now_ms)
    assert bank.raised == []


def test_a_last_will_that_stays_is_lost_telemetry(bank: Bank) -> None:
    bank.run(60, battery_v=13.0)
    bank.watch.status("bank", online=False, now_ms=bank.now_ms)
    bank.silence(70)
    assert bank.raised == ["telemetry_lost"]


def test_a_last_will_that_comes_late_is_overruled_by_what_the_node_says(bank: Bank) -> None:
    bank.run(10, battery_v=13.0)
    bank.watch.status("bank", online=False, now_ms=bank.now_ms)
    bank.run(300, battery_v=13.0)
    assert bank.raised == []


def test_a_node_known_from_before_a_restart_is_missed_and_one_never_heard_is_not(bank: Bank) -> None:
    bank.run(10, battery_v=13.0)
    bank.restart()
    bank.silence(120)
    assert [(row.condition, row.node) for row in bank.alarms] == [("telemetry_lost", "bank")]


def test_overcharge_that_is_no_longer_seen_is_neither_raised_nor_cleared(bank: Bank) -> None:
    bank.run(4, battery_v=15.5, battery_degc=25.0)
    bank.silence(300)
    assert bank.raised == ["telemetry_lost"]
    bank.run(30, battery_v=15.5, battery_degc=25.0)
    bank.silence(300)
    assert [row.open for row in bank.alarms if row.condition == "overcharge"] == [True]


def test_a_service_that_slept_blames_nobody(bank: Bank) -> None:
    bank.run(60, battery_v=13.0)
    bank.now_ms += 4 * 3_600_000
    bank.watch.tick(bank.now_ms)
    bank.run(60, battery_v=13.0)
    assert bank.raised == []


@pytest.mark.parametrize("step_ms", [-3_600_000, -5_000, 3_600_000, 86_400_000])
def test_a_step_of_the_hosts_clock_raises_nothing_and_gives_no_negative_duration(
    bank: Bank, step_ms: int
) -> None:
    bank.run(60, battery_v=14.0, battery_degc=25.0)
    bank.now_ms += step_ms
    bank.run(60, battery_v=14.0, battery_degc=25.0)
    assert bank.raised == []
    bank.run(4, battery_v=15.5, battery_degc=25.0)
    bank.now_ms += step_ms
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    bank.now_ms += step_ms
    bank.run(90, battery_v=14.0, battery_degc=25.0)
    (alarm,) = bank.alarms
    assert alarm.cleared_ms is not None
    assert alarm.onset_ms <= alarm.raised_ms <= alarm.cleared_ms
    assert alarm.lasted_ms(0) >= 0
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    assert bank.alarms[1].onset_ms > alarm.cleared_ms


def test_the_silence_that_is_told_is_the_silence_that_was_heard(bank: Bank) -> None:
    bank.run(60, battery_v=13.0)
    bank.now_ms += 86_400_000
    bank.silence(120)
    assert bank.alarms[0].value == pytest.approx(60, abs=15)


def test_a_new_episode_begins_after_the_last_although_clock_and_service_began_again(bank: Bank) -> None:
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    bank.run(90, battery_v=14.0, battery_degc=25.0)
    bank.restart()
    bank.now_ms -= 3_600_000
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    first, second = bank.alarms
    assert first.cleared_ms is not None
    assert first.cleared_ms < second.onset_ms <= second.raised_ms


def test_an_open_episode_continues_over_a_restart_and_is_raised_and_cleared_once(bank: Bank) -> None:
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    for _ in range(5):
        bank.restart()
        bank.run(20, battery_v=15.5, battery_degc=25.0)
    bank.restart()
    bank.run(90, battery_v=14.0, battery_degc=25.0)
    assert [(row.condition, row.open) for row in bank.alarms] == [("overcharge", False)]
    steps = bank.db.execute("SELECT episode, step FROM outbox ORDER BY message").fetchall()
    assert steps == [(1, "raised"), (1, "cleared")]


def test_after_a_transaction_that_was_not_committed_the_watch_begins_again_from_the_ledger(
    bank: Bank,
) -> None:
    bank.run(4, battery_v=15.5, battery_degc=25.0)
    bank.db.execute("BEGIN IMMEDIATE")
    bank.run(10, battery_v=15.5, battery_degc=25.0)
    bank.db.execute("ROLLBACK")
    assert bank.raised == []
    bank.watch.reload()
    bank.run(10, battery_v=15.5, battery_degc=25.0)
    assert bank.raised == ["overcharge"]


def test_a_watch_that_is_out_of_step_with_the_ledger_says_so(bank: Bank) -> None:
    bank.db.execute("BEGIN IMMEDIATE")
    bank.run(20, battery_v=15.5, battery_degc=25.0)
    bank.db.execute("ROLLBACK")
    with pytest.raises(OutOfStepError, match="start the service again"):
        bank.run(120, battery_v=14.0, battery_degc=25.0)


def test_acknowledging_what_never_was_is_refused(bank: Bank) -> None:
    assert not bank.watch.acknowledge(Seen("sallow-ghyll", "bank", "overcharge", START_MS, START_MS))


def test_two_nodes_are_watched_apart(bank: Bank) -> None:
    bank.run(20, node="bank", battery_v=15.5, battery_degc=25.0)
    bank.run(20, node="shed", battery_v=15.5, battery_degc=25.0)
    assert [(row.condition, row.node) for row in bank.alarms] == [
        ("overcharge", "bank"),
        ("overcharge", "shed"),
    ]
