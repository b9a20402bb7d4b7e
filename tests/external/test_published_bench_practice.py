"""What anybody with a spring balance, a tape measure and a watch can work out on paper."""

from __future__ import annotations

import math

import pytest

from wheelpit.physics.alternator import volts_per_radian
from wheelpit.physics.belt import driven_speed, pitch_ratio
from wheelpit.physics.bench import (
    angular_speed,
    constants_differ,
    drive_loss,
    excess_torque,
    pull_torque,
    torque_per_ampere,
    torque_through_ratio,
    turns_per_second,
)

pytestmark = pytest.mark.source("common practice, no source")


def test_radii_give_the_ratio() -> None:
    assert pitch_ratio(2 * 0.28, 2 * 0.035) == pytest.approx(8.0)


def test_a_pull_at_the_pulley_and_its_share_at_the_rim() -> None:
    at_pulley = pull_torque(25.0, 0.035)
    assert at_pulley == pytest.approx(0.875)
    assert torque_through_ratio(at_pulley, 8.0) == pytest.approx(7.0)
    assert pull_torque(25.0, 0.28) == pytest.approx(7.0)


def test_counted_turns() -> None:
    per_second = turns_per_second(5, 12)
    assert per_second == pytest.approx(0.4167, abs=5e-5)
    assert angular_speed(per_second) == pytest.approx(2.618, abs=5e-4)
    alternator_rad_s = driven_speed(angular_speed(per_second), 8.0)
    assert alternator_rad_s * 60 / (2 * math.pi) == pytest.approx(200.0)


def test_more_torque_than_theory_is_not_the_loss() -> None:
    measured = pull_torque(32.0, 0.28)
    assert measured == pytest.approx(8.96)
    assert excess_torque(measured, 7.0) == pytest.approx(0.28)
    assert drive_loss(measured, 7.0) == pytest.approx(0.219, abs=5e-4)


def test_two_ways_to_the_constant_of_an_alternator() -> None:
    by_volts = volts_per_radian(0.14)
    # 3 A take 4.0 N m more than none.
    by_torque = torque_per_ampere(4.26, 0.25, 3.0)
    assert by_torque == pytest.approx(1.337, abs=1e-3)
    assert constants_differ(by_volts, by_torque) < 0.001
