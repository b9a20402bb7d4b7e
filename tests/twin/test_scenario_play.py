"""What reaches the host in a scenario: messages, backlogs, last wills, boots and pauses."""

from __future__ import annotations

from typing import Any

import pytest

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.twin.scenarios import Scenario
from wheelpit.twin.scenarios.description import Event
from wheelpit.twin.scenarios.engines import Stream
from wheelpit.twin.scenarios.play import Heard, Player


def play(minutes: float, *events: Event, **changes: Any) -> list[Heard]:
    told: dict[str, Any] = {"name": "x", "title": "X", "story": "X.", "engine": "steady", "flow_l_s": 8.0}
    return list(Player(Scenario(minutes=minutes, events=events, **(told | changes))).play())


def spoken(heard: list[Heard]) -> list[int]:
    """Return the seconds in which a live message came."""
    return [second for second, one in enumerate(heard, 1) if one.live is not None]


def statuses(heard: list[Heard]) -> list[tuple[int, bool]]:
    return [(second, one.online) for second, one in enumerate(heard, 1) if one.online is not None]


def numbers(heard: list[Heard]) -> list[int]:
    return [record.seq for one in heard for record in one.records]


@pytest.mark.parametrize("engine", ["steady", "dynamic"])
def test_a_quiet_minute(engine: str) -> None:
    heard = play(1, engine=engine)
    assert spoken(heard) == list(range(1, 61))
    assert statuses(heard) == [(1, True)]
    assert numbers(heard) == [SEQ_PER_BOOT + n for n in range(1, len(numbers(heard)) + 1)]
    live = heard[-1].live
    assert live is not None
    assert live.state == "turning"
    assert live.values["wheel_rpm"] == pytest.approx(9.8, abs=0.4)
    assert all(one.host_up for one in heard)


def test_both_engines_show_the_same_plant() -> None:
    values = []
    for engine in ("steady", "dynamic"):
        live = play(4, engine=engine, state_of_charge=0.6)[-1].live
        assert live is not None
        values.append(live.values)
    for channel, value in values[0].items():
        # Within the stream's wander and a lamp; warm windings in the one, cold ones in the other.
        assert value == pytest.approx(values[1][channel], rel=0.12, abs=0.6), channel


def test_with_the_link_down_records_wait_and_a_last_will_speaks() -> None:
    heard = play(4, Event(at_s=60, what="cut", fault="link", until_s=150))
    assert spoken(heard) == [*range(1, 61), *range(151, 241)]
    assert statuses(heard) == [(1, True), (105, False), (151, True)]
    backlog = heard[150].records
    assert len(backlog) == 9
    assert numbers(heard) == [SEQ_PER_BOOT + n for n in range(1, len(numbers(heard)) + 1)]


def test_a_node_without_supply_comes_back_with_a_new_boot() -> None:
    heard = play(4, Event(at_s=60, what="dark", fault="node-dead", until_s=150))
    assert spoken(heard) == [*range(1, 61), *range(151, 241)]
    boots = [one.live.boot for one in heard if one.live is not None]
    assert boots == [1] * 60 + [2] * 90
    first = heard[150].live
    assert first is not None
    assert (first.up_ms, first.edge_age_ms) == (1000, None)
    assert {seq // SEQ_PER_BOOT for seq in numbers(heard)} == {1, 2}


def test_a_node_that_restarts_speaks_in_between() -> None:
    heard = play(2, Event(at_s=60, what="restarts", fault="node-reboots"))
    silent = [second for second in range(1, 121) if second not in spoken(heard)]
    assert all(second > 60 for second in silent)
    assert 20 <= len(silent) <= 28
    assert max(one.live.boot for one in heard if one.live is not None) >= 6


def test_without_a_clock_only_the_host_can_date() -> None:
    heard = play(1, Event(at_s=0, what="no time", fault="clock-lost"))
    assert all(one.live is not None and one.live.at_ms is None for one in heard)
    assert all(record.end_ms is None for one in heard for record in one.records)


def test_with_the_broker_gone_nobody_hears_and_nobody_tells() -> None:
    heard = play(4, Event(at_s=60, what="gone", fault="broker-lost", until_s=150))
    assert spoken(heard) == [*range(1, 60), *range(150, 241)]
    assert statuses(heard) == [(1, True)]
    assert len(heard[149].records) == 10


def test_with_the_host_gone_records_wait_for_it() -> None:
    heard = play(4, Event(at_s=60, what="gone", fault="host-lost", until_s=150))
    assert [second for second, one in enumerate(heard, 1) if not one.host_up] == list(range(60, 150))
    assert len(heard[149].records) == 10
    assert spoken(heard) == [*range(1, 60), *range(150, 241)]


def test_a_fault_that_comes_and_goes_at_the_host_does_so() -> None:
    heard = play(3, Event(at_s=60, what="stutters", fault="host-lost", severity=0.5))
    away = [second for second, one in enumerate(heard, 1) if not one.host_up]
    assert away == [*range(60, 75), *range(90, 105), *range(120, 135), *range(150, 165), 180]


def test_rare_live_messages_are_still_whole() -> None:
    heard = play(5, live_s=5)
    assert len(heard) == 60
    assert all(one.live is not None for one in heard)
    assert len(numbers(heard)) >= 30


def test_gate_switch_and_loads_reach_the_plant() -> None:
    events = (
        Event(at_s=30, what="switch", parked=True),
        Event(at_s=35, what="gate", gate_l_s=0.0),
        Event(at_s=90, what="kettle", load="kettle", watts=600.0),
    )
    for engine in ("steady", "dynamic"):
        heard = play(2, *events, engine=engine)
        states = [one.live.state for one in heard if one.live is not None]
        assert set(states[40:]) == {"parked"}
        last = heard[-1].live
        assert last is not None
        assert last.values["wheel_rpm"] == 0
        assert (last.values["battery_a"] or 0) < -40


def test_what_happens_is_told_when_it_does() -> None:
    heard = play(1, Event(at_s=10, what="one", gate_l_s=5.0), Event(at_s=10, what="two", gate_l_s=6.0))
    assert [(second, one.what) for second, one in enumerate(heard, 1) if one.what] == [(11, "one; two")]


@pytest.mark.parametrize(
    ("flow", "minute", "expected"),
    [
        (7.0, 5, 7.0),
        ([[0, 2.0], [10, 4.0]], 5, 3.0),
        ([[0, 2.0], [10, 4.0]], 20, 4.0),
        ([[5, 2.0], [10, 4.0]], 0, 2.0),
    ],
)
def test_the_stream_runs_straight_between_its_pairs(flow: Any, minute: float, expected: float) -> None:
    assert Stream(flow, 10.0).at(60 * minute).stream_l_s == expected
