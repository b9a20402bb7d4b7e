"""The state machine of one condition: what holds for any sequence of observations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.watch.machine import FORGET_MS, LONGEST_STEP_MS, Change, Delays, Machine, Phase, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

BEYOND, BETWEEN, WITHIN, UNSEEN = Verdict.BEYOND, Verdict.BETWEEN, Verdict.WITHIN, Verdict.UNSEEN


def observe(
    machine: Machine, verdicts: Sequence[Verdict], start_ms: int = 0, step_ms: int = 1_000
) -> list[int]:
    """Feed verdicts at even steps; return the times at which something changed [ms]."""
    return [
        start_ms + k * step_ms
        for k, verdict in enumerate(verdicts)
        if machine.observe(verdict, start_ms + k * step_ms) is not None
    ]


def test_the_delays_are_counted_from_the_first_observation() -> None:
    machine = Machine(Delays(3_000, 5_000))
    assert observe(machine, [BEYOND] * 10) == [3_000]
    assert observe(machine, [WITHIN] * 10, 10_000) == [15_000]


def test_without_delays_the_first_observation_decides() -> None:
    machine = Machine(Delays(0, 0))
    assert machine.observe(BEYOND, 1) is Change.RAISED
    assert machine.observe(WITHIN, 2) is Change.CLEARED


def test_the_onset_is_the_first_observation_or_what_it_knows_better() -> None:
    machine = Machine(Delays(2_000, 0))
    observe(machine, [BEYOND] * 5, 50_000)
    assert (machine.onset_ms, machine.raised_ms) == (50_000, 52_000)
    machine = Machine(Delays(0, 0))
    machine.observe(BEYOND, 50_000, 41_000)
    assert (machine.onset_ms, machine.raised_ms) == (41_000, 50_000)


def test_what_is_not_seen_counts_for_nothing() -> None:
    machine = Machine(Delays(3_000, 3_000))
    assert observe(machine, [BEYOND, BEYOND, UNSEEN, UNSEEN, UNSEEN, UNSEEN]) == []
    assert machine.phase is Phase.PENDING
    machine = Machine(Delays(0, 3_000))
    observe(machine, [BEYOND])
    assert observe(machine, [WITHIN, WITHIN, *[UNSEEN] * 20], 1_000) == []
    assert machine.active


def test_of_a_long_step_only_so_much_counts() -> None:
    machine = Machine(Delays(2 * LONGEST_STEP_MS, 0))
    machine.observe(BEYOND, 0)
    assert machine.observe(BEYOND, FORGET_MS) is None
    assert machine.observe(BEYOND, FORGET_MS + LONGEST_STEP_MS) is Change.RAISED


def test_after_a_long_time_unseen_a_delay_begins_again() -> None:
    machine = Machine(Delays(3_000, 3_000))
    observe(machine, [BEYOND] * 3)
    later_ms = FORGET_MS + 10_000
    assert observe(machine, [BEYOND] * 5, later_ms) == [later_ms + 3_000]
    assert machine.onset_ms == later_ms
    observe(machine, [WITHIN] * 3, later_ms + 5_000)
    assert observe(machine, [WITHIN] * 5, later_ms + 200_000) == [later_ms + 203_000]


def test_a_clock_set_back_delays_and_never_hurries() -> None:
    machine = Machine(Delays(3_000, 0))
    observe(machine, [BEYOND] * 3, 1_000_000)
    assert observe(machine, [BEYOND] * 3, 400_000) == [401_000]
    assert machine.onset_ms == 1_000_000
    assert machine.raised_ms == 1_000_000


def test_an_onset_after_now_is_now() -> None:
    machine = Machine(Delays(0, 0))
    machine.observe(BEYOND, 1_000, 9_000)
    assert machine.onset_ms == 1_000


def test_a_resumed_episode_is_not_raised_again() -> None:
    machine = Machine(Delays(0, 0))
    machine.resume(5, 7, acknowledged=False)
    assert machine.observe(BEYOND, 100) is None
    assert machine.observe(WITHIN, 200) is Change.CLEARED


def test_the_re_alarm_time_counts_only_after_an_acknowledgement() -> None:
    machine = Machine(Delays(0, 0, remind_ms=3_000))
    machine.observe(BEYOND, 0)
    assert not any(machine.overdue(k * 1_000) for k in range(10))
    machine.acknowledge()
    assert [machine.overdue(10_000 + k * 1_000) for k in range(5)] == [False, False, True, False, False]


times = st.one_of(st.integers(0, 3_000), st.integers(-4_000_000, 4_000_000))


@given(
    st.lists(st.tuples(st.sampled_from(Verdict), times), max_size=200),
    st.sampled_from([0, 1_000, 20_000]),
    st.sampled_from([0, 1_000, 20_000]),
)
def test_episodes_never_overlap_and_no_duration_is_negative(
    steps: list[tuple[Verdict, int]], on_ms: int, off_ms: int
) -> None:
    machine = Machine(Delays(on_ms, off_ms))
    now_ms, end_ms = 10_000_000, None
    for verdict, step_ms in steps:
        now_ms += step_ms
        was_active = machine.active
        raised_ms = machine.raised_ms
        change = machine.observe(verdict, now_ms)
        assert (change is Change.RAISED) == (machine.active and not was_active)
        assert (change is Change.CLEARED) == (was_active and not machine.active)
        if change is Change.RAISED:
            assert machine.onset_ms is not None
            assert machine.raised_ms is not None
            assert end_ms is None or machine.onset_ms > end_ms
            assert machine.onset_ms <= machine.raised_ms
        if change is Change.CLEARED:
            assert raised_ms is not None
            end_ms = max(now_ms, raised_ms)


@pytest.mark.parametrize("verdict", [BETWEEN, WITHIN, UNSEEN])
def test_only_a_value_beyond_its_limit_raises(verdict: Verdict) -> None:
    assert observe(Machine(Delays(0, 0)), [verdict] * 100) == []
