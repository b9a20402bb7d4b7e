"""Whatever nodes say, and whatever the clock and the service do meanwhile, the alarms stay in order."""

from __future__ import annotations

import sqlite3
from itertools import pairwise
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from wheelpit.contract.messages import Guard, Live, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.limits import limits_of
from wheelpit.store import migrate
from wheelpit.store.alarms import AlarmStore, read_alarms, read_messages
from wheelpit.watch.requests import Seen
from wheelpit.watch.watch import Watch
from wheelpit.watch.words import CONDITIONS

PLANT = load_plant(demo_plant_path())
LIMITS = limits_of(PLANT)

states = st.sampled_from(["turning", "slow", "stopped", "parked", "unknown"])
nodes = st.sampled_from(["wheel", "bank"])
# Small steps mostly, and now and then a clock that is set, or a service that sleeps.
steps = st.one_of(st.integers(0, 3_000), st.integers(0, 3_000), st.integers(-7_200_000, 7_200_000))


def maybe(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.one_of(st.none(), st.floats(low, high))


odd_lives = st.fixed_dictionaries(
    {
        "journal": st.sampled_from(["0" * 16, "1" * 16]),
        "boot": st.integers(1, 3),
        "up_ms": st.integers(0, 200_000),
        "state": states,
        "edge_age_ms": st.one_of(st.none(), st.integers(0, 100_000)),
        "edge_gap_ms": st.one_of(st.none(), st.integers(1, 20_000)),
        "values": st.fixed_dictionaries(
            {},
            optional={
                "wheel_rpm": maybe(0, 40),
                "charge_a": maybe(-5, 20),
                "rectified_v": maybe(0, 90),
                "battery_v": maybe(9, 18),
                "battery_degc": maybe(-40, 80),
                "battery_a": maybe(-100, 20),
                "dump_a": maybe(0, 20),
            },
        ),
        "faults": st.sampled_from([{}, {"wheel_rpm": "absent"}]),
        "guard": st.sampled_from([None, Guard(alarms=[]), Guard(alarms=["blind"], blind=["wheel_rpm"])]),
    }
)


def mood(state: str, rpm: float, *, gap_ms: int | None, charge_a: float, battery_v: float = 13.5) -> Any:
    """Return a way in which a plant can be for a while."""
    values = {
        "wheel_rpm": rpm,
        "charge_a": charge_a,
        "rectified_v": 2 * rpm,
        "battery_v": battery_v,
        "battery_degc": 25.0,
    }
    told = {"journal": "0" * 16, "boot": 1, "up_ms": 100_000, "state": state, "faults": {}, "values": values}
    return {**told, "edge_age_ms": 400 if rpm else 30_000, "edge_gap_ms": gap_ms}


RUNNING = mood("turning", 10.0, gap_ms=1_500, charge_a=4.0)
STOPPED = mood("stopped", 0.0, gap_ms=None, charge_a=0.0)
moods = st.sampled_from(
    [
        RUNNING,
        RUNNING,
        STOPPED,
        STOPPED,
        mood("turning", 25.0, gap_ms=600, charge_a=0.0),  # the load is lost
        mood("slow", 6.0, gap_ms=2_500, charge_a=0.0),
        mood("turning", 10.0, gap_ms=4_000, charge_a=0.0),  # it rocks
        mood("stopped", 0.0, gap_ms=None, charge_a=4.0),  # the pickup is dead
        mood("turning", 10.0, gap_ms=1_500, charge_a=4.0, battery_v=15.6),
        mood("parked", 0.0, gap_ms=None, charge_a=0.0),
    ]
)
events = st.one_of(
    st.tuples(st.just("lives"), nodes, st.lists(moods, min_size=2, max_size=5), st.sampled_from([8, 40, 90])),
    st.tuples(st.just("live"), nodes, odd_lives, st.integers(1, 40)),
    st.tuples(
        st.just("record"), nodes, st.tuples(states, st.integers(0, 200_000), maybe(-5, 20)), st.just(1)
    ),
    st.tuples(st.just("status"), nodes, st.booleans(), st.just(1)),
    st.tuples(st.just("tick"), nodes, st.none(), st.integers(1, 100)),
    st.tuples(st.just("restart"), nodes, st.none(), st.just(1)),
    st.tuples(st.just("acknowledge"), nodes, st.integers(1, 5), st.just(1)),
)


def play(story: list[tuple[tuple[Any, ...], int]]) -> sqlite3.Connection:
    """Play events, each so many times, one second apart, after its step of the clock."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate.migrate(db, "test")
    watch = Watch(PLANT, AlarmStore(db), LIMITS)
    now_ms, up_ms = 1_760_000_000_000, 0
    for (kind, node, told, times), step_ms in story:
        now_ms += step_ms
        for k in range(times):
            now_ms += 1_000 * (k > 0)
            if kind in ("live", "lives"):
                up_ms += 1_000
                said = told if kind == "live" else told[k * len(told) // times]
                live = Live(at_ms=None, clock="none", **{**said, "up_ms": said["up_ms"] + up_ms})
                watch.live(node, live, now_ms)
            elif kind == "record":
                state, up_ms, charge_a = told
                seq = SEQ_PER_BOOT + 1
                record = Record(
                    seq=seq, first=seq, up_ms=up_ms, dur_ms=1, span_ms=1, end_ms=None, clock="none",
                    state=state, mean={"wheel_rpm": 9.0, "charge_a": charge_a}, min={}, max={"charge_a": charge_a},
                    total={"charge_flips": up_ms // 1_000},
                )  # fmt: skip
                watch.record(node, record, now_ms - 10_000, now_ms, now_ms)
            elif kind == "status":
                watch.status(node, online=told, now_ms=now_ms)
            elif kind == "restart":
                watch = Watch(PLANT, AlarmStore(db), LIMITS)
            elif kind == "acknowledge":
                for row in read_alarms(db):
                    if row.episode == told:
                        watch.acknowledge(Seen.of(row, now_ms))
            watch.tick(now_ms)
    return db


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(events, steps), min_size=4, max_size=40))
def test_alarms_stay_in_order(story: list[tuple[tuple[Any, ...], int]]) -> None:
    db = play(story)
    rows = sorted(read_alarms(db), key=lambda row: row.episode)
    for row in rows:
        assert row.onset_ms <= row.raised_ms
        assert row.cleared_ms is None or row.raised_ms <= row.cleared_ms
        assert row.lasted_ms(0) >= 0
        assert row.reason
        assert row.priority == CONDITIONS[row.condition].priority
    for node in ("wheel", "bank"):
        for condition in CONDITIONS:
            own = [row for row in rows if (row.node, row.condition) == (node, condition)]
            for earlier, later in pairwise(own):
                assert earlier.cleared_ms is not None
                assert earlier.cleared_ms < later.onset_ms
    messages = read_messages(db, 0)
    told = [(message.key.rpartition("/")[0], message.step) for message in messages]
    assert len(set(told)) == len(told)
    assert len([step for _, step in told if step == "raised"]) == len(rows)
    assert len([step for _, step in told if step == "cleared"]) == len([row for row in rows if not row.open])
    db.close()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(events, steps), max_size=25))
def test_the_same_story_gives_the_same_alarms(story: list[tuple[tuple[Any, ...], int]]) -> None:
    one, other = play(story), play(story)
    assert list(one.iterdump()) == list(other.iterdump())
    one.close()
    other.close()
