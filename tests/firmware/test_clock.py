"""Time on the board: never back, never round, and Unix time only when somebody told it."""

from __future__ import annotations

import importlib
from itertools import pairwise
from typing import Any

import pytest

clock: Any = importlib.import_module("node.clock")
WRAP = 1 << 30
NOW_MS = 1_790_000_000_000


class Ticks:
    """A board's millisecond counter."""

    def __init__(self, at: int = 0) -> None:
        self.at = at

    def __call__(self) -> int:
        return self.at % WRAP

    def made(self) -> Any:
        return clock.Clock(self)


def test_up_time_starts_at_nothing_wherever_the_ticks_are() -> None:
    for at in (0, 5, WRAP - 1):
        assert Ticks(at).made().up_ms() == 0


def test_f19_up_time_rises_through_many_wraps() -> None:
    ticks = Ticks(WRAP - 10_000)
    made = ticks.made()
    seen = []
    for _ in range(80):
        ticks.at += 86_400_000  # once a day is often enough
        seen.append(made.up_ms())
    assert seen == [86_400_000 * day for day in range(1, 81)]
    assert seen[-1] > 6 * WRAP


def test_f19_the_moment_of_a_tick_is_found_on_both_sides_of_a_wrap() -> None:
    ticks = Ticks(WRAP - 1_000)
    made = ticks.made()
    before = made.tick()
    ticks.at += 1_500
    after = made.tick()
    assert after == 500
    assert made.up_at(before) == 0
    assert made.up_at(after) == 1_500


def test_without_an_answer_there_is_no_date() -> None:
    made = Ticks().made()
    assert made.quality == "none"
    assert made.unix_ms(1000) is None


def test_f18_an_answer_dates_what_came_before_it_in_this_boot() -> None:
    ticks = Ticks(12_345)
    made = ticks.made()
    early = made.up_ms()
    ticks.at += 3_600_000
    assert made.offer(NOW_MS, made.up_ms() - 40, made.up_ms())
    assert made.quality == "host"
    assert made.unix_ms(3_600_000 - 20) == NOW_MS
    assert made.unix_ms(early) == NOW_MS - 3_600_000 + 20
    assert isinstance(made.anchor_ms, int)


@pytest.mark.parametrize(("asked", "heard", "taken"), [(0, 2_000, True), (0, 2_001, False), (10, 9, False)])
def test_f17_a_slow_or_impossible_round_trip_says_nothing(asked: int, heard: int, taken: bool) -> None:  # noqa: FBT001
    made = Ticks().made()
    assert made.offer(NOW_MS, asked, heard) is taken
    assert (made.anchor_ms is not None) is taken


def test_a_vague_answer_does_not_replace_a_sharp_one_that_it_agrees_with() -> None:
    made = Ticks().made()
    assert made.offer(NOW_MS, 0, 10)
    anchor = made.anchor_ms
    assert not made.offer(NOW_MS + 1_500, 500, 1_900)
    assert made.anchor_ms == anchor
    assert made.changes == 1
    # In ten minutes the crystal may have drifted by 60 ms: an equally sharp answer is better.
    assert made.offer(NOW_MS + 600_030, 600_000, 600_010)
    assert made.changes == 2
    assert made.last_step_ms == 25 + 5


def test_every_step_is_told_also_one_back() -> None:
    made = Ticks().made()
    made.offer(NOW_MS, 0, 0)
    shift = made.shift
    assert made.last_step_ms == 0
    assert made.offer(NOW_MS - 7_000, 1_000, 1_000, "ntp")
    assert made.last_step_ms == -8_000
    assert made.quality == "ntp"
    assert made.changes == 2
    assert made.shift > shift


@pytest.mark.parametrize("at", [0, 123_456, WRAP - 3_000])
def test_the_phase_puts_ticks_on_the_grid_of_unix_time(at: int) -> None:
    ticks = Ticks(at)
    made = ticks.made()
    made.offer(NOW_MS + 777, 0, 0)
    shift = made.shift
    for _ in range(100):
        ticks.at += 61
        tick = made.tick()
        unix = made.unix_ms(made.up_ms())
        assert (tick % 10_000 + made.phase_ms(10_000)) % 10_000 == unix % 10_000
    assert (made.shift > shift) is (at == WRAP - 3_000)  # a wrap moves the phase, and says so


def test_f18_the_calendar_of_the_chip_is_never_asked() -> None:
    # Boards begin in 1970, 2000 or 2021; the module knows of no calendar at all.
    assert not {"time", "RTC", "machine", "gmtime", "localtime"} & set(vars(clock))


def test_up_time_never_falls_whatever_is_told() -> None:
    ticks = Ticks(WRAP - 50)
    made = ticks.made()
    seen = []
    for i in range(50):
        ticks.at += 7
        made.offer(NOW_MS - i * 100_000, made.up_ms(), made.up_ms())
        seen.append(made.up_ms())
    assert all(b > a for a, b in pairwise(seen))
