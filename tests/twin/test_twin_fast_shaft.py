"""The alternator's own shaft: a second pickup, or a phase whose frequency is that of the poles that pass."""

from __future__ import annotations

import dataclasses
import itertools

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import PhaseSensor, PickupSensor
from wheelpit.twin.fastshaft import FastShaft
from wheelpit.twin.machine import FRAME_US, TwinPlant

DEMO = load_plant(demo_plant_path())
PHASE = PhaseSensor(channel="alternator_rpm", node="wheel", kind="phase", pin=16)
PICKUP = PickupSensor(channel="alternator_rpm", node="wheel", kind="pickup", pin=16, magnets=2)


@pytest.mark.parametrize(("sensor", "per_turn"), [(PHASE, DEMO.alternator.pole_pairs), (PICKUP, 2)])
def test_pulses_come_as_often_as_the_shaft_says(sensor: PhaseSensor | PickupSensor, per_turn: int) -> None:
    twin = TwinPlant(dataclasses.replace(DEMO, sensors=(*DEMO.sensors, sensor)))
    frames = [twin.frame() for _ in range(400)]
    pulses = [pulse for frame in frames for pulse in frame.alternator_edges]
    turns = sum(frame.mean["alternator_rpm"] for frame in frames) / 60 * FRAME_US / 1e6
    assert len(pulses) == pytest.approx(turns * per_turn, abs=1)
    # A machine with p pole pairs at n turns a minute gives f = p n / 60: any handbook of electrical machines.
    hz = (len(pulses) - 1) * 1e6 / (pulses[-1] - pulses[0])
    assert hz == pytest.approx(per_turn * frames[200].mean["alternator_rpm"] / 60, rel=0.01)
    assert all(later > earlier for earlier, later in itertools.pairwise(pulses))
    for frame in frames:
        assert all(frame.t_us - FRAME_US <= pulse <= frame.t_us for pulse in frame.alternator_edges)


def test_a_shaft_nobody_looks_at_gives_none_and_a_dead_one_neither() -> None:
    shaft = FastShaft(DEMO)
    shaft.turned(100.0, 0, 5000)
    assert shaft.take() == ()
    shaft = FastShaft(dataclasses.replace(DEMO, sensors=(*DEMO.sensors, PICKUP)))
    shaft.turned(10.0, 0, 5000)  # magnets pass after 3.14, 6.28 and 9.42 radians
    assert shaft.take(dead=True) == ()
    shaft.turned(2.5664, 5000, 5000)  # to 12.5664: four half turns
    assert shaft.take() == (10_000,)
