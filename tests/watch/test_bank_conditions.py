"""Battery and diversion load: what is an alarm, after which time, and what is ordinary life.

The limits stand beside each check with where they are from; delays and deadbands are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from tests.watch.bank import PLANT, Bank

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.plant.description import Plant

LITHIUM = replace(PLANT, battery=replace(PLANT.battery, chemistry="lfp", overcharge_v=14.6))
MINUTE = 60
HOUR = 3_600


@pytest.fixture
def bank() -> Iterator[Bank]:
    made = Bank(every_s=5)
    yield made
    made.db.close()


def raised_by(seconds: int, values: dict[str, float | None], plant: Plant = PLANT) -> list[str]:
    made = Bank(plant, every_s=5)
    made.hear(seconds, values)
    raised = made.raised
    made.db.close()
    return raised


def test_a_hot_battery_is_critical_and_a_warm_one_is_not(bank: Bank) -> None:
    # 50 and 45 degrees: common practice, no source.
    bank.run(10 * MINUTE, battery_degc=44.0)
    bank.run(20, battery_degc=51.0)
    bank.run(10 * MINUTE, battery_degc=44.0)
    assert bank.raised == []
    bank.run(6 * MINUTE, battery_degc=46.0)
    bank.run(MINUTE, battery_degc=50.5)
    assert [(row.condition, row.priority) for row in bank.alarms] == [
        ("battery_warm", "medium"),
        ("battery_hot", "critical"),
    ]
    assert bank.alarms[1].remedy.startswith("Do not open, touch or spark near the bank.")
    bank.run(30 * MINUTE, battery_degc=48.0)
    assert bank.alarms[1].open  # inside the deadband
    bank.run(6 * MINUTE, battery_degc=46.0)
    assert [row.open for row in bank.alarms] == [True, False]


def test_a_battery_that_became_hot_at_once_is_one_alarm(bank: Bank) -> None:
    bank.run(HOUR, battery_degc=55.0)
    assert bank.raised == ["battery_hot"]


@pytest.mark.parametrize(
    ("battery_degc", "battery_a", "raised"),
    [
        # No charging of LiFePO4 below 0 degrees: common practice of cell makers' data sheets, from memory.
        pytest.param(-3.0, 4.0, ["cold_charging"], id="frost, charged"),
        pytest.param(-3.0, -20.0, [], id="frost, giving"),
        pytest.param(-3.0, 0.0, [], id="frost, at rest"),
        pytest.param(2.0, 4.0, [], id="cold, charged"),
    ],
)
def test_lithium_must_not_be_charged_in_frost(
    battery_degc: float, battery_a: float, raised: list[str]
) -> None:
    told: dict[str, float | None] = {
        "battery_v": 13.2, "battery_degc": battery_degc, "battery_a": battery_a,
    }  # fmt: skip
    assert raised_by(2 * MINUTE, told, LITHIUM) == raised


def test_lead_acid_may_be_charged_in_frost() -> None:
    assert raised_by(2 * MINUTE, {"battery_v": 14.4, "battery_degc": -3.0, "battery_a": 4.0}) == []


@pytest.mark.parametrize(
    ("battery_v", "battery_a", "raised"),
    [
        # 11.89 V at rest is an empty bank: Battery Council International, open-circuit voltage, secondary print.
        pytest.param(11.7, 0.0, ["deep_discharge"], id="empty, at rest"),
        pytest.param(11.7, -10.0, ["deep_discharge"], id="empty, giving 10 A"),
        pytest.param(11.85, -10.0, [], id="the drop of 10 A over 8 mohm is 0.08 V"),
        pytest.param(11.3, -90.0, [], id="a kilowatt pulls a good bank down"),
        # 1.75 V a cell ends a discharge at the 20 hour rate: common practice, no source.
        pytest.param(10.3, -90.0, ["deep_discharge"], id="no load may pull it down so far"),
        pytest.param(0.3, 0.0, [], id="no bank is connected"),
        pytest.param(None, -10.0, [], id="not measured"),
    ],
)
def test_an_empty_bank_is_told_and_a_load_that_pulls_it_down_is_not(
    battery_v: float | None, battery_a: float, raised: list[str]
) -> None:
    assert (
        raised_by(10 * MINUTE, {"battery_v": battery_v, "battery_a": battery_a, "battery_degc": 15.0})
        == raised
    )


def test_an_empty_bank_is_over_only_when_it_was_charged_for_a_while(bank: Bank) -> None:
    bank.run(30, battery_v=11.5)
    assert bank.raised == []
    bank.run(90, battery_v=11.5)
    for _ in range(10):
        bank.run(5 * MINUTE, battery_v=12.6)
        bank.run(30, battery_v=11.6)
    assert [row.open for row in bank.alarms] == [True]
    bank.run(11 * MINUTE, battery_v=12.6)
    assert [row.open for row in bank.alarms] == [False]


@pytest.mark.parametrize(
    ("battery_v", "battery_degc", "raised"),
    [
        # Freezing points of the acid: -9.4 at a gravity of 1.120 (flat), -15 at 1.155 (a quarter), -59 at 1.265 (full):
        # Battery Council International, secondary print; 5 K in hand: common practice, no source.
        pytest.param(11.95, -8.0, ["battery_freezing"], id="flat"),
        pytest.param(11.95, 0.0, [], id="flat, not cold enough"),
        pytest.param(12.6, -5.0, [], id="full"),
        pytest.param(12.6, -30.0, [], id="full, in hard frost"),
        pytest.param(15.1, -5.0, [], id="in absorption"),
    ],
)
def test_a_flat_bank_may_freeze_where_a_full_one_does_not(
    battery_v: float, battery_degc: float, raised: list[str]
) -> None:
    assert (
        raised_by(40 * MINUTE, {"battery_v": battery_v, "battery_degc": battery_degc, "battery_a": 0.0})
        == raised
    )


def test_a_slow_overcharge_is_told_after_ten_minutes_and_a_hard_one_explains_it(bank: Bank) -> None:
    # Absorption 14.4 V, hard limit 15.0 V in plant.toml: the warning lies half-way. Common practice, no source.
    bank.run(9 * MINUTE, battery_v=14.8, battery_degc=25.0)
    assert bank.raised == []
    bank.run(2 * MINUTE, battery_v=14.8, battery_degc=25.0)
    assert [(row.condition, row.priority) for row in bank.alarms] == [("overcharge_warning", "medium")]
    assert raised_by(HOUR, {"battery_v": 15.2, "battery_degc": 25.0}) == ["overcharge"]


@pytest.mark.parametrize(
    ("battery_v", "dump_a", "charge_a", "raised"),
    [
        # Common practice, no source: what is above absorption must go into the diversion load.
        pytest.param(14.75, 0.0, 6.0, ["dump_idle"], id="full, and nothing is diverted"),
        pytest.param(14.75, 5.0, 6.0, [], id="full, and diverted"),
        pytest.param(14.2, 0.0, 6.0, [], id="not full yet"),
        pytest.param(14.75, 0.0, 0.0, [], id="lifted by another source"),
        pytest.param(14.4, 5.0, 6.0, [], id="diverted in absorption"),
        pytest.param(13.4, 5.0, 6.0, [], id="diverted in float"),
        pytest.param(12.8, 8.0, 4.0, ["dump_on"], id="diverted from a battery that is not full"),
        pytest.param(12.8, 0.1, 4.0, [], id="zero error of the shunt"),
    ],
)
def test_a_diversion_load_that_is_idle_or_on_at_the_wrong_time(
    battery_v: float, dump_a: float, charge_a: float, raised: list[str]
) -> None:
    told: dict[str, float | None] = {
        "battery_v": battery_v, "dump_a": dump_a, "charge_a": charge_a, "battery_degc": 25.0,
    }  # fmt: skip
    assert raised_by(5 * MINUTE, told) == raised


@pytest.mark.parametrize(
    ("told", "raised"),
    [
        # Common practice, no source: a lead-acid bank that takes amperes shows more than 6 V, whatever is wrong with it.
        pytest.param({"battery_v": 0.0, "charge_a": 6.0}, ["sense_lost"], id="the sense wire is off"),
        pytest.param({"battery_v": 0.2, "battery_a": -5.0}, ["sense_lost"], id="the same, discharging"),
        pytest.param(
            {"battery_v": 0.0, "charge_a": 0.0, "battery_a": 0.0}, [], id="the bank is away for service"
        ),
        pytest.param({"battery_v": 0.0}, [], id="no current is measured"),
        pytest.param({"battery_v": None, "charge_a": 6.0}, [], id="the sensor itself says that it fails"),
        pytest.param({"battery_v": 12.4, "charge_a": 6.0}, [], id="a battery"),
    ],
)
def test_a_battery_without_a_voltage_that_takes_current_is_not_seen(
    told: dict[str, float | None], raised: list[str]
) -> None:
    assert raised_by(5 * MINUTE, told) == raised


def test_a_regulator_that_chops_is_no_stuck_one(bank: Bank) -> None:
    for _ in range(20):
        bank.run(20, battery_v=13.0, dump_a=12.0, charge_a=6.0, battery_degc=25.0)
        bank.run(10, battery_v=13.5, dump_a=0.0, charge_a=6.0, battery_degc=25.0)
    assert bank.raised == []


def test_current_out_of_the_battery_by_way_of_the_charger_is_told(bank: Bank) -> None:
    bank.run(50, charge_a=-2.0)
    assert bank.raised == []
    bank.run(20, charge_a=-2.0)
    assert [(row.condition, row.priority) for row in bank.alarms] == [("back_feed", "high")]
    assert raised_by(HOUR, {"charge_a": -0.05}) == []  # zero error of the shunt


def test_a_sensor_that_cannot_be_read_is_named_after_a_minute(bank: Bank) -> None:
    railed: dict[str, float | None] = {"battery_degc": None, "battery_v": 13.0}
    bank.hear(50, railed, faults={"battery_degc": "railed"})
    bank.run(5, battery_degc=12.0, battery_v=13.0)
    assert bank.raised == []
    bank.hear(65, railed, faults={"battery_degc": "railed"})
    (alarm,) = bank.alarms
    assert (alarm.condition, alarm.priority) == ("sensor_fault", "medium")
    assert "battery_degc (railed)" in alarm.reason


def test_a_sensor_that_is_dark_while_somebody_works_there_is_none(bank: Bank) -> None:
    bank.hear(HOUR, {"battery_v": None}, state="parked", faults={"battery_v": "bus"})
    assert bank.raised == []
