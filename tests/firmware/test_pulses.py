"""From magnets to speed: whole turns, noise, stops, and ticks that come round."""

from __future__ import annotations

import importlib
from bisect import bisect_right
from typing import Any

import pytest
from shaft import WRAP, Look, Pickup, passages

pulses: Any = importlib.import_module("node.pulses")
UNEVEN = [80.0, 100.0, 90.0, 90.0]


def even(magnets: int) -> list[float]:
    return [360 / magnets] * magnets


def speeds(looks: list[Look], from_s: float) -> list[int]:
    found = [look.mrpm for look in looks if look.at_s >= from_s]
    assert None not in found
    return [mrpm for mrpm in found if mrpm is not None]


@pytest.mark.parametrize("rpm", [5.0, 6.7, 10.4, 25.0, 60.0])
@pytest.mark.parametrize(
    "spacing", [*map(even, range(1, 9)), UNEVEN], ids=lambda s: "/".join(f"{d:g}" for d in s)
)
def test_speed_is_within_a_thousandth(rpm: float, spacing: list[float]) -> None:
    pickup = Pickup(len(spacing))
    first_turn_s = 0.05 + 60 / rpm
    looks = pickup.run(passages(spacing, rpm, 0.05, 60), 60)
    found = speeds(looks, first_turn_s + 0.1)
    assert min(found) >= 1000 * rpm * 0.999
    assert max(found) <= 1000 * rpm * 1.001
    assert pickup.wheel.rejected == 0


def test_uneven_magnets_give_the_longest_gap_of_the_turn() -> None:
    pickup = Pickup(4)
    pickup.run(passages(UNEVEN, 10, 0.0, 30), 30)
    # 100 degrees at 60 degrees a second
    assert pickup.wheel.edge_gap_ms == pytest.approx(1667, abs=1)


def test_bounce_is_refused_and_counted() -> None:
    clean = passages(UNEVEN, 12, 0.0, 39.9)
    bouncing = sorted(t + bounce for t in clean for bounce in (0.0, 0.0004, 0.003, 0.02))
    pickup = Pickup(4)
    looks = pickup.run(bouncing, 40)
    assert pickup.wheel.edges == len(clean)
    assert pickup.wheel.rejected == 3 * len(clean)
    assert {round(mrpm / 10) for mrpm in speeds(looks, 6)} == {1200}


def test_an_edge_at_the_fastest_speed_counts_and_one_just_above_does_not() -> None:
    for rpm, counted in ((119.9, True), (120.5, False)):
        pickup = Pickup(4, fastest_rpm=120)
        pickup.run(passages(even(4), rpm, 0.0, 0.9), 1)
        assert (pickup.wheel.rejected == 0) is counted


def test_a_lost_magnet_neither_stops_nor_speeds_up_the_wheel() -> None:
    # One of four magnets has come off: 90, 90, 180 degrees. Four edges are then 4/3 of a turn.
    pickup = Pickup(4)
    looks = pickup.run(passages([90, 90, 180], 10, 0.0, 90), 90)
    assert not any(look.standing for look in looks)
    assert max(speeds(looks, 10)) <= 10_010
    assert pickup.wheel.edge_gap_ms == 3000


def test_one_missed_edge_does_not_stop_the_wheel() -> None:
    times = passages(even(4), 10, 0.0, 60)
    del times[20]
    looks = Pickup(4).run(times, 60)
    assert not any(look.standing for look in looks)
    assert speeds(looks, 45)[-1] == pytest.approx(10_000, rel=1e-3)


def test_a_stop_is_seen_falling_at_once_and_then_is_one() -> None:
    # 10 rpm and four magnets: an edge every 1.5 s. The last one passes at 30 s.
    pickup = Pickup(4)
    looks = pickup.run(passages(even(4), 10, 0.0, 30), 40)
    after = {round(look.at_s - 30, 1): look for look in looks if look.at_s > 30}
    assert after[1.4].mrpm == pytest.approx(10_000, rel=1e-3)
    for late_s in (1.7, 2.0, 2.5, 3.0, 3.5):
        # No faster than the magnet allows that has not come: a quarter turn in the time since the last edge.
        assert after[late_s].mrpm == pytest.approx(15_000_000 / (1000 * late_s), rel=2e-3)
    # 2 x 1.2 x 1.5 s = 3.6 s without an edge is a stand.
    assert not after[3.6].standing
    assert after[3.7].standing
    assert after[3.7].mrpm == 0
    assert after[9.0].standing


def test_a_coasting_wheel_is_followed_down_to_the_stand() -> None:
    # 10 rpm losing 0.5 rpm each second: standing after 20 s.
    times: list[float] = []
    degrees, rpm, t = 0.0, 10.0, 0.0
    while rpm > 0:
        before = degrees
        degrees += 6 * rpm * 0.001
        if before // 90 != degrees // 90:
            times.append(t)
        rpm -= 0.0005
        t += 0.001
    looks = Pickup(4).run(times, 40)
    for look in looks:
        newest = bisect_right(times, look.at_s) - 1
        if newest >= 4 and not look.standing:
            # A mean of the last turn: no more than the wheel did when that turn began.
            assert look.mrpm is not None
            assert 0 < look.mrpm <= 10_000 - 500 * times[newest - 4]
    stand_s = next(look.at_s for look in looks if look.standing)
    assert stand_s - times[-1] <= 2.4 * (times[-1] - times[-2]) + 0.1


def test_before_any_edge_the_speed_is_unknown_until_a_stand_is_certain() -> None:
    looks = Pickup(4).run([], 40)
    by_time = {round(look.at_s, 1): look for look in looks}
    assert by_time[29.9].mrpm is None
    assert not by_time[29.9].standing
    assert by_time[30.1].mrpm == 0
    assert by_time[30.1].standing


def test_a_single_edge_is_no_speed() -> None:
    looks = Pickup(4).run([1.0], 20)
    assert {look.mrpm for look in looks} == {None}


@pytest.mark.parametrize("from_us", [0, WRAP - 25_000_000, WRAP - 1])
def test_ticks_that_come_round_change_nothing(from_us: int) -> None:
    times = passages(UNEVEN, 9.2, 0.0, 60)
    plain = Pickup(4).run(times, 60)
    wrapped = Pickup(4, from_us=from_us).run(times, 60)
    assert [look.mrpm for look in wrapped] == [look.mrpm for look in plain]
    assert [look.edge_gap_ms for look in wrapped] == [look.edge_gap_ms for look in plain]


@pytest.mark.parametrize("minutes", [9, 17.895697, 18, 60])
def test_restarts_right_after_standing_longer_than_the_ticks_reach(minutes: float) -> None:
    # 2^30 us are 17.9 minutes: a difference of ticks across the stand would be anything from 0 to that.
    pickup = Pickup(4, from_us=WRAP - 5_000_000)
    pickup.run(passages(UNEVEN, 10, 0.0, 30), 30)
    edges = pickup.wheel.edges
    again_s = 30 + 60 * minutes
    still = pickup.run([], again_s)
    assert all(look.standing and look.mrpm == 0 for look in still if look.at_s > 35)
    assert pickup.wheel.edge_age_ms(round(again_s * 1000)) == pytest.approx(60_000 * minutes, abs=200)
    looks = pickup.run(passages(UNEVEN, 8, again_s + 0.5, again_s + 40), again_s + 40)
    before_second = [look for look in looks if look.at_s <= again_s + 2]
    assert all(look.mrpm == 0 for look in before_second)
    found = speeds(looks, again_s + 9)
    assert min(found) >= 7_992
    assert max(found) <= 8_008
    assert max(speeds(looks, again_s)) <= 8_000 * 90 / 80 * 1.001  # the first turn knows only some gaps
    assert pickup.wheel.rejected == 0
    assert pickup.wheel.edges - edges == len(passages(UNEVEN, 8, again_s + 0.5, again_s + 40))


def test_a_gap_that_no_turn_explains_is_forgotten_when_edges_were_lost() -> None:
    pickup = Pickup(4)
    pickup.run(passages(even(4), 10, 0.0, 30), 30)
    pickup.wheel.lose_track()
    looks = pickup.run(passages(even(4), 10, 34.5, 60), 60)
    assert max(speeds(looks, 35)) <= 10_010
    assert speeds(looks, 41)[-1] == pytest.approx(10_000, rel=1e-3)


def test_a_fast_wheel_with_many_magnets_does_not_flicker() -> None:
    # 120 rpm and eight magnets: an edge every 62.5 ms, faster than the pickup is looked at.
    looks = Pickup(8, fastest_rpm=150).run(passages(even(8), 120, 0.0, 20), 20)
    assert not any(look.standing for look in looks)
    assert min(speeds(looks, 1)) >= 119_880


def test_every_sum_of_gaps_stays_a_small_integer() -> None:
    assert pulses.LONGEST_MS * 1000 * 12 < WRAP
    assert 937_500_000 + (pulses.LONGEST_MS * 1000 * 12 >> 7) < WRAP
