"""From magnets to speed: whole turns, noise, stops, and ticks that come round."""

from __future__ import annotations

import importlib
import math
import random
from bisect import bisect_right
from itertools import pairwise
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


def test_f20_uneven_magnets_give_the_longest_gap_of_the_turn() -> None:
    pickup = Pickup(4)
    pickup.run(passages(UNEVEN, 10, 0.0, 30), 30)
    # 100 degrees at 60 degrees a second
    assert pickup.wheel.edge_gap_ms == pytest.approx(1667, abs=1)


def test_f20_bounce_is_refused_and_counted() -> None:
    clean = passages(UNEVEN, 12, 0.0, 39.9)
    bouncing = sorted(t + bounce for t in clean for bounce in (0.0, 0.0004, 0.003, 0.02))
    pickup = Pickup(4)
    looks = pickup.run(bouncing, 40)
    assert pickup.wheel.edges == len(clean)
    assert pickup.wheel.rejected == 3 * len(clean)
    assert {round(mrpm / 10) for mrpm in speeds(looks, 6)} == {1200}


def test_f20_an_edge_at_the_fastest_speed_counts_and_one_just_above_does_not() -> None:
    for rpm, counted in ((119.9, True), (120.5, False)):
        pickup = Pickup(4, fastest_rpm=120)
        pickup.run(passages(even(4), rpm, 0.0, 0.9), 1)
        assert (pickup.wheel.rejected == 0) is counted


def turns_of(pickup: Pickup) -> float:
    return float(pickup.wheel.mrev() / 1000)


@pytest.mark.parametrize("rpm", [5.0, 10.0, 21.0])
@pytest.mark.parametrize(
    ("magnets", "spacing"),
    [
        pytest.param(4, [90, 90, 180], id="one of four lost"),
        pytest.param(4, [80, 100, 180], id="one of four uneven ones lost"),
        pytest.param(8, [45, 45, 45, 45, 45, 45, 90], id="one of eight lost"),
        pytest.param(8, [45, 90, 45, 45, 45, 90], id="two of eight lost"),
        pytest.param(4, [90, 90, 90, 40, 50], id="a nut that passes the pickup"),
    ],
)
def test_f20_a_missing_or_an_extra_magnet_is_noticed_and_the_speed_is_put_right(
    magnets: int, spacing: list[float], rpm: float
) -> None:
    # Four gaps of 90, 90, 180 degrees are 5/4 to 6/4 of a turn: three quarters of the speed, for ever.
    wrong_s = 60 / rpm * 16  # sixteen turns
    pickup = Pickup(magnets)
    looks = pickup.run(passages(spacing, rpm, 0.0, wrong_s + 60), wrong_s + 60)
    assert not any(look.standing for look in looks)
    assert pickup.wheel.per_turn == len(spacing)
    later = speeds([look for look in looks if look.at_s < wrong_s + 55], wrong_s)
    assert min(later) >= 999 * rpm
    assert max(later) <= 1001 * rpm
    assert pickup.wheel.magnets == magnets
    before = turns_of(pickup)
    begin_s = pickup.now_us / 1e6
    offset_s = 60 / rpm * ((len(passages(spacing, rpm, 0.0, begin_s)) - 1) // len(spacing) + 1)
    pickup.run(passages(spacing, rpm, offset_s, offset_s + 600 / rpm - 0.01), offset_s + 600 / rpm)
    assert turns_of(pickup) - before == pytest.approx(10, abs=0.5)


def test_f20_a_magnet_put_back_is_believed_again() -> None:
    pickup = Pickup(4)
    pickup.run(passages([90, 90, 180], 10, 0.0, 120), 120)
    assert pickup.wheel.per_turn == 3
    looks = pickup.run(passages(even(4), 10, 130, 300), 300)
    assert pickup.wheel.per_turn == 4
    assert speeds(looks, 290)[-1] == pytest.approx(10_000, rel=1e-3)


@pytest.mark.parametrize("spacing", [*map(even, range(1, 13)), UNEVEN, [60.0, 120.0, 60.0, 120.0]], ids=len)
def test_f20_no_magnet_is_missed_while_the_wheel_starts_lopes_and_stops(spacing: list[float]) -> None:
    chance = random.Random(1)  # noqa: S311 - no secret
    pickup = Pickup(len(spacing), fastest_rpm=200)
    at_s = 0.1
    times = []
    degrees = 0.0
    for passed in range(120 * len(spacing)):
        turn = degrees / 360
        # Up to speed within three turns, then a load that comes and goes and a wheel that lopes, then a stop.
        rpm = min(2 + 4 * turn, 12, 1 + 0.5 * (120 - turn)) * (
            1 + 0.05 * math.sin(turn * 6.28) + chance.gauss(0, 0.02)
        )
        times.append(at_s)
        degrees += spacing[passed % len(spacing)]
        at_s += spacing[passed % len(spacing)] / (6 * rpm)
    found = set()
    waiting = times
    while waiting:
        until_s = pickup.now_us / 1e6 + 1
        pickup.run([at for at in waiting if at <= until_s], until_s)
        waiting = [at for at in waiting if at > until_s]
        found.add(pickup.wheel.per_turn)
    assert found == {len(spacing)}
    assert turns_of(pickup) == pytest.approx(120, abs=1 / len(spacing) + 0.01)


@pytest.mark.parametrize("magnets", [2, 3, 4, 8])
@pytest.mark.parametrize("steady", [True, False])
def test_f20_rocking_at_the_pickup_is_no_missing_magnet_and_ends_in_a_stand(
    magnets: int, *, steady: bool
) -> None:
    # A jammed wheel rocks about once a second with a magnet at the pickup, which passes to and fro.
    chance = random.Random(magnets)  # noqa: S311 - no secret
    pickup = Pickup(magnets, fastest_rpm=120)
    pickup.run(passages(even(magnets), 10, 0.0, 20), 20)
    times = []
    at_s = 20.5
    while at_s < 80:
        swing_s = 0.12 if steady else chance.uniform(0.05, 0.25)
        times += [at_s, at_s + swing_s]
        at_s += 1.0 if steady else chance.uniform(0.6, 1.4)
    looks = pickup.run(times, 120)
    assert pickup.wheel.per_turn == magnets
    assert max(speeds(looks, 21)) < 120_000
    assert looks[-1].standing
    near = sum(b - a < 60 / (120 * magnets) for a, b in pairwise(times))
    assert pickup.wheel.rejected == near or not steady


def test_f20_one_missed_edge_does_not_stop_the_wheel() -> None:
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
def test_f19_ticks_that_come_round_change_nothing(from_us: int) -> None:
    times = passages(UNEVEN, 9.2, 0.0, 60)
    plain = Pickup(4).run(times, 60)
    wrapped = Pickup(4, from_us=from_us).run(times, 60)
    assert [look.mrpm for look in wrapped] == [look.mrpm for look in plain]
    assert [look.edge_gap_ms for look in wrapped] == [look.edge_gap_ms for look in plain]


@pytest.mark.parametrize("minutes", [9, 17.895697, 18, 60])
def test_f19_restarts_right_after_standing_longer_than_the_ticks_reach(minutes: float) -> None:
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


def test_f21_edges_without_a_time_are_counted_and_the_speed_is_unknown_until_it_is_known() -> None:
    pickup = Pickup(4)
    pickup.run(passages(even(4), 10, 0.0, 30), 33.1)
    edges = pickup.wheel.edges
    pickup.wheel.missed(2, 33_100)
    assert pickup.wheel.edges == edges + 2
    assert pickup.wheel.mrpm is None
    assert pickup.wheel.edge_age_ms(33_100) == 0
    assert pickup.wheel.rejected == 0
    looks = pickup.run(passages(even(4), 10, 34.5, 60), 60)
    assert {look.mrpm for look in looks if look.at_s < 35.9} == {None}
    assert max(speeds(looks, 36.1)) <= 10_010
    assert speeds(looks, 41)[-1] == pytest.approx(10_000, rel=1e-3)


def test_a_fast_wheel_with_many_magnets_does_not_flicker() -> None:
    # 120 rpm and eight magnets: an edge every 62.5 ms, faster than the pickup is looked at.
    looks = Pickup(8, fastest_rpm=150).run(passages(even(8), 120, 0.0, 20), 20)
    assert not any(look.standing for look in looks)
    assert min(speeds(looks, 1)) >= 119_880


def test_every_sum_of_gaps_stays_a_small_integer() -> None:
    assert pulses.LONGEST_MS * 1000 * 12 < WRAP
    assert 937_500_000 + (pulses.LONGEST_MS * 1000 * 12 >> 7) < WRAP
