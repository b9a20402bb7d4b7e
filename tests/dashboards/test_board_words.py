"""The sentences: only what the fitted channels support, an old value never as a new one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

import words
from moment import Moment, Reading
from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.plant.description import OtherSource

if TYPE_CHECKING:
    from wheelpit.contract.names import WheelState

ALL: dict[str, float | None] = {
    "wheel_rpm": 10.4,
    "battery_v": 14.1,
    "charge_a": 4.4,
    "battery_a": 4.1,
    "dump_a": 0.0,
}


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def without(plant: Plant, *channels: str) -> Plant:
    return replace(plant, sensors=tuple(s for s in plant.sensors if s.channel not in channels))


def moment(
    values: dict[str, float | None], *, age_s: float = 1.0, state: WheelState | None = "turning"
) -> Moment:
    readings = {name: Reading(value, age_s) for name, value in values.items()}
    return Moment(state=state if age_s <= 5 else None, readings=readings, ages_s={"wheel": age_s})


def only(*channels: str) -> dict[str, float | None]:
    return {name: ALL[name] for name in channels}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (
            only("wheel_rpm", "battery_v", "charge_a", "battery_a", "dump_a"),
            "Giving 62 W, the bank is taking 4.1 A at 14.1 V and the loads take about 4 W; the wheel turns at 10.4 rpm.",
        ),
        (only("wheel_rpm", "battery_v", "charge_a"), "Giving 62 W at 14.1 V; the wheel turns at 10.4 rpm."),
        (
            only("wheel_rpm", "battery_v", "battery_a"),
            "Giving at least 58 W, the bank is taking 4.1 A at 14.1 V; the wheel turns at 10.4 rpm.",
        ),
        (only("wheel_rpm"), "The wheel turns at 10.4 rpm."),
        (only("battery_v"), "The battery stands at 14.1 V."),
        (
            only("wheel_rpm", "battery_v", "charge_a", "battery_a"),  # no dump_a: the loads cannot be told
            "Giving 62 W, the bank is taking 4.1 A at 14.1 V; the wheel turns at 10.4 rpm.",
        ),
    ],
)
def test_the_sentence_says_what_is_fitted_and_no_more(
    plant: Plant, values: dict[str, float | None], said: str
) -> None:
    assert words.headline(plant, moment(values)) == said


def test_the_loads_take_more_than_the_wheel_gives(plant: Plant) -> None:
    said = words.headline(plant, moment({**ALL, "charge_a": 4.4, "battery_a": -2.0, "battery_v": 12.6}))
    assert said.startswith("Giving 55 W, the bank is adding 2.0 A at 12.6 V and the loads take about 81 W;")
    said = words.headline(plant, moment({**ALL, "charge_a": 0.0, "battery_a": -2.0, "battery_v": 12.6}))
    assert said.startswith(
        "Giving nothing, the bank is giving 2.0 A at 12.6 V and the loads take about 25 W;"
    )


def test_measured_loads_are_said_without_about(plant: Plant) -> None:
    assert "the loads take 21 W" in words.headline(plant, moment({**ALL, "load_a": 1.5}))


def test_another_source_on_the_bank_takes_the_lower_bound_and_the_difference_away(plant: Plant) -> None:
    shared = replace(plant, other_sources=(OtherSource(kind="solar", rated_w=300.0),))
    assert "at least" not in words.headline(shared, moment(only("battery_v", "battery_a")))
    assert "loads" not in words.headline(shared, moment(dict(ALL)))
    assert any("load_a" in line for line in words.missing(shared, moment(dict(ALL))))


def test_currents_that_cannot_be_are_not_called_loads(plant: Plant) -> None:
    said = words.headline(plant, moment(dict(ALL) | {"battery_a": 9.0}))
    assert "check the shunts' signs" in said
    assert "loads" not in said


def test_back_feed_is_no_giving(plant: Plant) -> None:
    said = words.headline(plant, moment({**only("battery_v"), "charge_a": -0.6}))
    assert said.startswith("Giving nothing: 0.6 A flow back through the charge shunt")


@pytest.mark.parametrize(
    ("state", "said"), [("stopped", "the wheel stands still"), ("parked", "the wheel is parked on purpose")]
)
def test_a_wheel_that_does_not_turn(plant: Plant, state: WheelState, said: str) -> None:
    values = {**ALL, "wheel_rpm": 0.0, "charge_a": 0.0, "battery_a": -0.02}
    assert words.headline(plant, moment(values, state=state)) == (
        f"Giving nothing, the bank is at rest at 14.1 V; {said}."
    )


@pytest.mark.parametrize(
    ("age_s", "said"),
    [
        (12, "The newest values are 12 s old; waiting for the next."),
        (185, "No data for 3 min: what the plant does now is not known."),
        (7300, "No data for 2 h: what the plant does now is not known."),
        (4 * 86400, "No data for 4 days: what the plant does now is not known."),
    ],
)
def test_an_old_value_is_never_said_as_a_new_one(plant: Plant, age_s: float, said: str) -> None:
    assert words.headline(plant, moment(dict(ALL), age_s=age_s)) == said


def test_before_the_first_word(plant: Plant) -> None:
    assert words.headline(plant, Moment()) == "No node has spoken yet."


def test_a_node_without_a_single_reading_is_not_called_still(plant: Plant) -> None:
    said = words.headline(plant, moment({"battery_v": None}, state="unknown"))
    assert said == "The node speaks, but no channel that says what the plant does has a reading."


def test_what_is_not_fitted_is_named_with_the_sensor_that_would_give_it(plant: Plant) -> None:
    lean = without(plant, "battery_a", "dump_a", "wheel_rpm")
    told = " ".join(words.missing(lean, moment(only("battery_v", "charge_a"))))
    assert "(battery_a)" in told
    assert "(wheel_rpm)" in told
    assert "(charge_a)" not in told
    assert words.missing(plant, moment(dict(ALL))) == []


def test_one_silent_node_is_named_while_another_speaks() -> None:
    both = Moment(ages_s={"wheel": 1.0, "bank": 200.0})
    assert words.silences(both) == ["The node 'bank' has been silent for 3 min."]
    assert words.silences(Moment(ages_s={"bank": 200.0})) == []


def test_more_than_thirty_volts_in_the_wet_is_a_caution() -> None:
    (told,) = words.cautions(moment({"rectified_v": 34.2}))
    assert told.startswith("34 V before the converter: dangerous to touch in the wet.")
    assert words.cautions(moment({"rectified_v": 24.0})) == []


def test_a_standing_wheel_warns_of_full_buckets_and_of_the_held_voltage() -> None:
    told = words.cautions(moment({"rectified_v": 20.0}, state="stopped"))
    assert "water off first" in told[0]
    assert "still held" in told[1]
    assert words.cautions(moment({"rectified_v": 20.0}, age_s=30, state="stopped")) == []


@pytest.mark.parametrize(
    ("value", "decimals", "written"), [(-0.04, 1, "0.0"), (-2.26, 1, "\N{MINUS SIGN}2.3"), (61.6, 0, "62")]
)
def test_numbers(value: float, decimals: int, written: str) -> None:
    assert words.number(value, decimals) == written


@pytest.mark.parametrize(("age_s", "said"), [(0.4, "now"), (3.2, "3 s ago"), (18.0, "18 s old")])
def test_ages(age_s: float, said: str) -> None:
    assert words.age(Reading(1.0, age_s)) == said


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("bus", "sensor does not answer"),
        ("railed", "sensor at its end of scale"),
        (None, "no reason told"),
        ("new", "new"),
    ],
)
def test_a_failed_reading_is_told_with_its_channel_and_cause(code: str | None, said: str) -> None:
    failed = Moment(readings={"battery_v": Reading(None, 1.0, code)}, ages_s={"wheel": 1.0})
    assert words.failures(failed) == [f"No reading of the battery voltage (battery_v): {said}."]
    assert words.failures(Moment(readings={"battery_v": Reading(None, 90.0, code)})) == []
