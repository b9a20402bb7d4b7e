"""Edges come when the magnets pass, to the microsecond."""

from __future__ import annotations

import dataclasses
import math
import random
from itertools import pairwise

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import PickupSensor
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.machine import FRAME_US, TwinPlant
from wheelpit.twin.pickup import Pickup

PLANT = load_plant(demo_plant_path())
CALM = dataclasses.replace(USUAL, wander_share=0.0)
COLD = dataclasses.replace(CALM, copper_per_degc=0.0, magnets_per_degc=0.0)
EVEN = dataclasses.replace(CALM, magnet_play_deg=0.0)


def _with_magnets(magnets: int) -> Pickup:
    sensors = tuple(
        dataclasses.replace(sensor, magnets=magnets) if isinstance(sensor, PickupSensor) else sensor
        for sensor in PLANT.sensors
    )
    return Pickup(dataclasses.replace(PLANT, sensors=sensors), EVEN, random.Random(1))  # noqa: S311 - no secret


def test_edges_are_at_the_exact_moment_of_an_even_acceleration() -> None:
    pickup = _with_magnets(8)
    # angle(t) = 0.5 * 3 t^2: a magnet every 45 degrees, the first after half of that.
    edges: list[float] = []
    for step in range(400):
        begin = step * 0.005
        found = pickup.passed(1.5 * begin**2, 3 * begin, 3 * (begin + 0.005), 0.005)
        edges.extend(begin + after for after in found)
    expected = [math.sqrt((k + 0.5) * math.pi / 4 / 1.5) for k in range(len(edges))]
    assert len(edges) == 8
    assert edges == pytest.approx(expected, abs=1e-12)


def test_several_magnets_in_one_step_come_in_order() -> None:
    pickup = _with_magnets(60)
    edges = pickup.passed(0.0, 100.0, 100.0, 0.005)
    assert edges == pytest.approx([(k + 0.5) * math.pi / 30 / 100 for k in range(5)])


def test_a_wheel_that_stops_on_the_way_gives_no_edge() -> None:
    pickup = _with_magnets(4)
    assert pickup.passed(pickup.next_rad - 0.001, 0.3, 0.0, 0.005) == []


def test_edges_times_spacing_are_revolutions() -> None:
    twin = TwinPlant(PLANT, seed=7)
    edges: list[int] = []
    for jammed, seconds in [(False, 60), (True, 10), (False, 60)]:
        twin.put("jam", on=jammed)
        for _ in range(seconds * 20):
            frame = twin.frame()
            assert all(frame.t_us - FRAME_US <= edge <= frame.t_us for edge in frame.edges)
            edges.extend(frame.edges)
    revolutions = twin.totals().revolutions
    assert revolutions > 15
    assert abs(len(edges) / 4 - revolutions) <= 0.25 + 4 / 360
    assert all(later > earlier for earlier, later in pairwise(edges))


def test_a_whole_turn_takes_its_time_whatever_the_spacing() -> None:
    twin = TwinPlant(PLANT, assumptions=COLD)
    edges: list[int] = []
    for _ in range(600):
        frame = twin.frame()
        edges.extend(frame.edges)
    turns_us = [later - earlier for earlier, later in zip(edges, edges[4:], strict=False)]
    gaps_us = [later - earlier for earlier, later in pairwise(edges)]
    assert turns_us == pytest.approx([60e6 / frame.mean["wheel_rpm"]] * len(turns_us), abs=3)
    assert max(gaps_us) > 1.005 * min(gaps_us)  # they are glued on by hand


def test_a_plant_without_a_pickup_has_no_edges() -> None:
    sensors = tuple(sensor for sensor in PLANT.sensors if not isinstance(sensor, PickupSensor))
    twin = TwinPlant(dataclasses.replace(PLANT, sensors=sensors))
    assert all(twin.frame().edges == () for _ in range(100))
