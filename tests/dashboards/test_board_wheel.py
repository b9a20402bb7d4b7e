"""The drawn wheel: its buckets fill the ring, their water lies level, and it turns in 60 / rpm seconds."""

from __future__ import annotations

import re
from math import cos, pi, radians, sin

import pytest

import wheel
from wheelpit.plant import Plant, demo_plant_path, load_plant


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def ring_area(sole: float) -> float:
    return pi * (1 - sole**2)


def test_the_sole_lies_where_the_buckets_fill_the_ring(plant: Plant) -> None:
    # 18 buckets of 11 L, 0.30 m wide, in a wheel of 1.60 m: 0.198 m3 / 0.30 m = 0.66 m2 of ring,
    # r = sqrt(0.8^2 - 0.66 / pi) = 0.6557 m, by hand.
    assert wheel.sole_radius(plant.wheel) * 0.8 == pytest.approx(0.6557, abs=0.0001)


def test_the_cells_together_are_the_ring(plant: Plant) -> None:
    sole = wheel.sole_radius(plant.wheel)
    pitch_deg = 360 / plant.wheel.buckets
    total = sum(wheel.area(wheel.cell(k * pitch_deg, pitch_deg, sole)) for k in range(plant.wheel.buckets))
    # Short chords stand for arcs, so the polygons are smaller than the ring by less than a hundredth.
    assert total == pytest.approx(ring_area(sole), rel=0.01)


def test_area_of_a_square_and_of_what_lies_below_its_middle() -> None:
    square = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)]
    assert wheel.area(square) == 4
    assert wheel.area(wheel.below(square, 1.5)) == pytest.approx(1.0)
    assert wheel.below(square, 3.0) == []


@pytest.mark.parametrize("angle_deg", [60, 80, 95, 110])
def test_water_on_the_loaded_side_is_level_and_of_the_wanted_amount(plant: Plant, angle_deg: float) -> None:
    sole, pitch_deg = wheel.sole_radius(plant.wheel), 360 / plant.wheel.buckets
    outline = wheel.cell(angle_deg, pitch_deg, sole)
    held = wheel.water(angle_deg, pitch_deg, sole, 0.3)
    assert wheel.area(held) == pytest.approx(0.3 * wheel.area(outline), rel=1e-6)
    surface = min(y for _, y in held)
    assert sum(1 for _, y in held if y == pytest.approx(surface, abs=1e-9)) >= 2


def test_a_bucket_upside_down_holds_nothing(plant: Plant) -> None:
    sole, pitch_deg = wheel.sole_radius(plant.wheel), 360 / plant.wheel.buckets
    held = wheel.water(200.0, pitch_deg, sole, 0.3)
    assert not held or wheel.area(held) < 0.02 * wheel.area(wheel.cell(200.0, pitch_deg, sole))


def test_only_the_side_below_the_launder_is_loaded(plant: Plant) -> None:
    for outline in wheel.loaded(plant.wheel, 0.0):
        assert max(x for x, _ in outline) > 0


@pytest.mark.parametrize(("rpm", "seconds"), [(10.4, 5.76923), (6.0, 10.0)])
def test_one_turn_takes_sixty_over_rpm_seconds(plant: Plant, rpm: float, seconds: float) -> None:
    drawn = wheel.draw(plant.wheel, 180, rpm)
    told = re.search(r'class="turn" style="animation-duration:([\d.]+)s"', drawn)
    assert told is not None
    assert float(told[1]) == pytest.approx(seconds, abs=0.0001)
    # The water moves on by one bucket in an eighteenth of a turn.
    bucketful = re.search(r'class="bucketful" style="animation-duration:([\d.]+)s;--pitch:([\d.]+)deg', drawn)
    assert bucketful is not None
    assert float(bucketful[1]) == pytest.approx(seconds / 18, abs=0.0001)
    assert float(bucketful[2]) == pytest.approx(20.0)


def test_the_drawing_has_the_plants_number_of_buckets(plant: Plant) -> None:
    walls = re.search(r'<g class="line">(.*?)</g>', wheel.draw(plant.wheel, 180, 10))
    assert walls is not None
    assert walls[1].count("<polyline") == plant.wheel.buckets == 18


def test_a_standing_wheel_does_not_turn_and_its_water_is_unsure(plant: Plant) -> None:
    drawn = wheel.draw(plant.wheel, 180, 0.0)
    assert 'class="turn still"' in drawn
    assert "unsure" in drawn
    assert 'class="turn"' not in drawn


def test_angles_are_counted_from_the_top_clockwise() -> None:
    assert wheel.at(1, 90) == pytest.approx((1, 0), abs=1e-12)
    assert wheel.at(1, 30) == pytest.approx((sin(radians(30)), -cos(radians(30))))
