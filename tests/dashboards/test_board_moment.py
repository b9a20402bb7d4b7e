"""The newest words of all nodes, put together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from moment import Moment, Reading, gather
from wheelpit.contract.messages import Live
from wheelpit.store.rows import LiveRow

if TYPE_CHECKING:
    from wheelpit.contract.names import WheelState

NOW_MS = 1_780_000_000_000


def row(
    node: str,
    ago_ms: int,
    values: dict[str, float | None],
    state: WheelState = "turning",
    faults: dict[str, str] | None = None,
) -> LiveRow:
    live = Live(
        journal="0" * 16,
        boot=1,
        up_ms=1,
        at_ms=None,
        clock="none",
        state=state,
        edge_age_ms=None,
        edge_gap_ms=None,
        values=values,
        faults=faults or {},
    )
    return LiveRow(node, NOW_MS - ago_ms, live)


def test_each_value_has_the_age_of_its_node() -> None:
    it = gather(
        [row("wheel", 1_200, {"wheel_rpm": 10.0}), row("bank", 40_000, {"battery_v": 13.1}, "unknown")],
        {},
        NOW_MS,
    )
    assert it.readings["wheel_rpm"] == Reading(10.0, 1.2)
    assert it.readings["battery_v"] == Reading(13.1, 40.0)
    assert it.now("wheel_rpm") == 10.0
    assert it.now("battery_v") is None
    assert it.state == "turning"


def test_the_state_is_the_wheel_nodes_and_only_while_it_speaks() -> None:
    assert gather([row("wheel", 6_000, {"wheel_rpm": 10.0})], {}, NOW_MS).state is None
    assert gather([row("bank", 0, {"battery_v": 13.0}, "unknown")], {}, NOW_MS).state is None


def test_a_declared_channel_without_a_word_is_there_without_a_value() -> None:
    it = gather([], {"wheel": ["wheel_rpm"]}, NOW_MS)
    assert it.readings == {"wheel_rpm": Reading(None, None)}
    assert not it.spoken


def test_a_channel_of_a_later_version_is_left_out() -> None:
    it = gather([row("wheel", 0, {"wheel_rpm": 1.0, "air_degc": 4.0})], {"wheel": ["air_degc"]}, NOW_MS)
    assert set(it.readings) == {"wheel_rpm"}


def test_a_fault_comes_with_its_channel() -> None:
    it = gather([row("wheel", 0, {"battery_v": None}, faults={"battery_v": "bus"})], {}, NOW_MS)
    assert it.readings["battery_v"] == Reading(None, 0.0, "bus")


def test_a_word_from_the_future_is_not_fresh() -> None:
    it = gather([row("wheel", -3_600_000, {"wheel_rpm": 10.0})], {}, NOW_MS)
    assert it.now("wheel_rpm") is None
    assert it.turning_rpm == 0


@pytest.mark.parametrize("state", ["stopped", "parked", "unknown"])
def test_the_drawn_wheel_turns_only_when_the_node_says_that_it_turns(state: WheelState) -> None:
    assert gather([row("wheel", 0, {"wheel_rpm": 3.0}, state)], {}, NOW_MS).turning_rpm == 0


def test_power_needs_volts_and_amperes_of_now() -> None:
    old = Moment(readings={"battery_v": Reading(13.0, 1.0), "charge_a": Reading(4.0, 9.0)}, ages_s={"n": 1.0})
    assert old.give_w is None
    both = Moment(
        readings={"battery_v": Reading(13.0, 1.0), "charge_a": Reading(4.0, 1.0)}, ages_s={"n": 1.0}
    )
    assert both.give_w == 52.0
