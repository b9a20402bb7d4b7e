"""The journal keeps records as they were, in order, and gives up the oldest first."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.contract.names import SEQ_PER_BOOT

journal_module: Any = import_module("node.journal")
names: Any = import_module("node.names")
records: Any = import_module("node.records")

LAYOUT = names.layout_of(["wheel_rpm", "battery_v", "charge_a"])
FIELDS = (
    "n", "first", "boot", "up_ms", "dur_ms", "span_ms", "end_ms", "clock", "state",
    "mean", "min", "max", "total", "faults",
)  # fmt: skip
values = st.lists(st.none() | st.integers(-(2**31) + 1, 2**31 - 1), min_size=3, max_size=3)


def journal(held: int = 5) -> Any:
    size = journal_module.RamJournal(LAYOUT, bytes).record_bytes
    return journal_module.RamJournal(LAYOUT, lambda count: bytes(range(count)), room=held * size)


def record(n: int, **changed: Any) -> Any:
    told: dict[str, Any] = {
        "n": n,
        "first": n,
        "boot": 1,
        "up_ms": 10_000 * n,
        "dur_ms": 10_000,
        "span_ms": 10_000,
        "end_ms": None,
        "clock": "none",
        "state": "turning",
        "mean": [1, 2, 3],
        "least": [0, 0, 0],
        "most": [4, 5, 6],
        "total": [n] * len(LAYOUT.totals),
        "faults": [None] * 3,
    }
    return records.Rec(*(told | changed).values())


def seq(n: int) -> int:
    return SEQ_PER_BOOT + n


@given(st.data())
def test_a_record_is_read_as_it_was_kept(data: st.DataObject) -> None:
    kept = record(
        data.draw(st.integers(1, SEQ_PER_BOOT - 1)),
        first=1,
        up_ms=data.draw(st.integers(0, 2**53)),
        dur_ms=data.draw(st.integers(0, 2**32 - 1)),
        span_ms=data.draw(st.integers(0, 2**32 - 1)),
        end_ms=data.draw(st.none() | st.integers(0, 2**53)),
        clock=data.draw(st.sampled_from(names.CLOCKS)),
        state=data.draw(st.sampled_from(names.STATES)),
        mean=data.draw(values),
        least=data.draw(values),
        most=data.draw(values),
        total=data.draw(
            st.lists(st.integers(0, 2**53), min_size=len(LAYOUT.totals), max_size=len(LAYOUT.totals))
        ),
        faults=data.draw(st.lists(st.none() | st.sampled_from(names.FAULTS), min_size=3, max_size=3)),
    )
    ring = journal()
    ring.append(kept)
    got = ring.read(ring.newest)
    assert {name: getattr(got, name) for name in FIELDS} == {name: getattr(kept, name) for name in FIELDS}


@given(st.lists(st.integers(1, 3), max_size=40), st.integers(0, 60), st.integers(1, 7))
def test_it_is_a_window_on_a_growing_list(steps: list[int], upto: int, capacity: int) -> None:
    ring = journal(capacity)
    assert ring.capacity == capacity
    ring.receipted(seq(upto))
    given_out: list[int] = []
    n = 0
    for step in steps:  # a number may be left out
        n += step
        ring.append(record(n))
        given_out.append(n)
        held = given_out[-capacity:]
        assert (ring.held, ring.oldest, ring.newest) == (len(held), seq(held[0]), seq(held[-1]))
        assert ring.top == seq(n)
        assert ring.lost == sum(1 for gone in given_out[:-capacity] if gone > upto)
        for some in range(max(0, held[0] - 2), n + 3):
            assert ring.next(seq(some)) == next((seq(h) for h in held if h > some), 0)
            assert ring.before(seq(some)) == next((seq(h) for h in reversed(held) if h < some), 0)


def test_an_empty_one_holds_nothing() -> None:
    ring = journal()
    assert (ring.held, ring.oldest, ring.newest, ring.next(0), ring.before(seq(9))) == (0, 0, 0, 0, 0)
    assert ring.top == SEQ_PER_BOOT
    with pytest.raises(journal_module.JournalError, match=f"no record {seq(1)} is held"):
        ring.read(seq(1))


def test_its_id_is_64_random_bits_in_hex() -> None:
    assert journal().id == "0001020304050607"
    assert journal_module.RamJournal(LAYOUT, lambda count: b"\xff" * count).id == "f" * 16


@pytest.mark.parametrize(
    "wrong", [{"boot": 2}, {"n": 3, "first": 3}, {"n": 5, "first": 6}, {"n": 5, "first": 0}]
)
def test_a_record_out_of_order_is_refused(wrong: dict[str, int]) -> None:
    ring = journal()
    ring.append(record(3))
    with pytest.raises(journal_module.JournalError, match="after 3"):
        ring.append(record(**({"n": 4} | wrong)))
    assert ring.held == 1


def test_a_room_for_nothing_is_refused() -> None:
    with pytest.raises(journal_module.JournalError, match="no room"):
        journal(0)
