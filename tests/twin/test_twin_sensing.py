"""Sensors between the plant's truth and its boards: their own errors, their faults, and plants other than described."""

from __future__ import annotations

import dataclasses
from statistics import fmean, stdev

import pytest
from tests.twin.plants import CALM, DEMO, KINDS, plant_of

from wheelpit.plant.consistency import contradictions
from wheelpit.plant.description import LinearSensor
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.sensing import SensorSet, instruments_of
from wheelpit.twin.variety import variant

READ = ("rectified_v", "battery_degc", "battery_v", "charge_a", "battery_a", "dump_a", "rectified_a")


def test_without_errors_the_boards_are_fed_the_truth() -> None:
    frame = TwinPlant(DEMO).frame()
    assert frame.shown is frame.mean


def test_errors_are_of_the_size_that_goes_with_the_parts() -> None:
    gains: dict[str, list[float]] = {channel: [] for channel in READ}
    offsets: dict[str, list[float]] = {channel: [] for channel in READ}
    for seed in range(300):
        for channel, instrument in instruments_of(DEMO, seed).items():
            gains[channel].append(instrument.gain)
            offsets[channel].append(instrument.offset)
    for channel, gain in (("battery_v", 0.0005), ("charge_a", 0.003), ("rectified_v", 0.006)):
        assert stdev(gains[channel]) == pytest.approx(gain, rel=0.15)
        assert fmean(gains[channel]) == pytest.approx(1, abs=gain / 5)
    # 4 uV over a shunt of 1.5 mohm, half a degree, the chip's 2 mV.
    for channel, offset in (("charge_a", 4e-6 / 0.0015), ("battery_degc", 0.5), ("battery_v", 0.002)):
        assert stdev(offsets[channel]) == pytest.approx(offset, rel=0.15)


def test_the_same_seed_gives_the_same_sensors_and_one_more_changes_no_other() -> None:
    level = LinearSensor(
        channel="water_degc", node="wheel", kind="linear", pin=28, mv_per_unit=10.0, zero_mv=500.0
    )
    more = dataclasses.replace(DEMO, sensors=(level, *DEMO.sensors))
    assert instruments_of(DEMO, 4) == instruments_of(DEMO, 4) != instruments_of(DEMO, 5)
    assert instruments_of(DEMO, 4).items() <= instruments_of(more, 4).items()


def test_a_reading_is_gain_times_truth_plus_offset_with_its_noise_in_whole_codes() -> None:
    sensors = SensorSet(DEMO, 8, codes=True)
    mean = TwinPlant(DEMO, assumptions=CALM).frame().mean
    seen: dict[str, list[float]] = {channel: [] for channel in READ}
    for _ in range(4000):
        for channel, value in sensors.read(mean, {}).items():
            if channel in seen:
                assert value is not None
                seen[channel].append(value)
    for channel, values in seen.items():
        it = sensors.instruments[channel]
        assert fmean(values) == pytest.approx(it.gain * mean[channel] + it.offset, abs=it.code / 10), channel
        assert stdev(values) == pytest.approx((it.noise**2 + it.code**2 / 12) ** 0.5, rel=0.25), channel
        codes = [value / it.code for value in values]
        assert all(abs(code - round(code)) < 1e-6 for code in codes)


def test_a_scale_ends() -> None:
    sensors = SensorSet(DEMO, 1, worse=0.0, codes=True)
    mean = TwinPlant(DEMO).frame().mean | {"rectified_v": 300.0, "charge_a": -300.0, "battery_v": 55.0}
    shown = sensors.read(mean, {})
    assert shown["rectified_v"] == pytest.approx(3.3 * 103.3 / 3.3, rel=1e-3)
    assert shown["charge_a"] == pytest.approx(-0.08192 / 0.0015)
    assert shown["battery_v"] == pytest.approx(40.96)


def test_faults_of_sensors_change_what_is_shown_and_not_the_truth() -> None:
    twin = TwinPlant(DEMO, assumptions=CALM)
    true = twin.frame().mean
    for name, severity in [
        ("sensor-dead:battery_degc", 1.0),
        ("sensor-railed:dump_a", 1.0),
        ("shunt-drift:charge_a", 0.5),
        ("shunt-reversed:battery_a", 1.0),
        ("wrong-ratio:rectified_v", 0.2),
    ]:
        twin.put(name, on=True, severity=severity)
    frame = twin.frame()
    assert frame.mean["charge_a"] == pytest.approx(true["charge_a"], rel=1e-3)
    assert frame.shown["battery_degc"] is None
    assert frame.shown["dump_a"] == pytest.approx(0.08192 / 0.0015)
    assert frame.shown["charge_a"] == pytest.approx(1.05 * frame.mean["charge_a"])
    assert frame.shown["battery_a"] == pytest.approx(-frame.mean["battery_a"])
    assert frame.shown["rectified_v"] == pytest.approx(1.1 * frame.mean["rectified_v"])
    assert frame.shown["rectified_a"] == frame.mean["rectified_a"]
    for name in list(twin.faults.present()):
        twin.put(name, on=False)
    frame = twin.frame()
    assert frame.shown is frame.mean


def test_a_stuck_sensor_shows_what_it_showed() -> None:
    twin = TwinPlant(DEMO, assumptions=CALM)
    twin.put("sensor-stuck:rectified_v", on=True)
    first = twin.frame().shown["rectified_v"]
    twin.river.order(20.0)
    twin.run(20)
    frame = twin.frame()
    assert frame.shown["rectified_v"] == first
    assert frame.mean["rectified_v"] > 1.1 * (first or 0.0)
    twin.put("sensor-stuck:rectified_v", on=False)
    assert twin.frame().shown["rectified_v"] == pytest.approx(frame.mean["rectified_v"], rel=1e-3)
    twin.put("sensor-stuck:rectified_v", on=True)
    assert twin.frame().shown["rectified_v"] == pytest.approx(frame.mean["rectified_v"], rel=1e-3)


def test_a_noisy_sensor_scatters_by_its_share_of_full_scale() -> None:
    twin = TwinPlant(DEMO, assumptions=CALM)
    twin.put("sensor-noisy:charge_a", on=True, severity=0.4)
    errors = [
        (frame.shown["charge_a"] or 0.0) - frame.mean["charge_a"]
        for frame in (twin.frame() for _ in range(800))
    ]
    assert fmean(errors) == pytest.approx(0, abs=0.15)
    assert stdev(errors) == pytest.approx(0.4 * 0.05 * 0.08192 / 0.0015, rel=0.1)


def test_a_dead_pickup_gives_no_edge_while_the_wheel_turns() -> None:
    twin = TwinPlant(DEMO)
    twin.put("sensor-dead:wheel_rpm", on=True)
    frames = [twin.frame() for _ in range(200)]
    assert all(frame.edges == () for frame in frames)
    assert frames[-1].mean["wheel_rpm"] > 10
    assert frames[-1].mean["charge_a"] > 4


def test_the_true_plants_behind_a_description_are_many_and_each_can_be() -> None:
    seen = set()
    for number in range(100):
        for kind in KINDS:
            true = variant(plant_of(kind), number)
            assert contradictions(true.plant) == []
        assert 0.7 < true.assumptions.true_capacity < 1.1
        seen.add((true.plant.alternator.v_per_rpm, true.assumptions.true_capacity))
    assert len(seen) == 100


def test_a_variant_scatters_about_its_description() -> None:
    volts = [variant(DEMO, number).plant.alternator.v_per_rpm for number in range(300)]
    assert fmean(volts) == pytest.approx(DEMO.alternator.v_per_rpm, rel=0.005)
    assert stdev(volts) == pytest.approx(0.02 * DEMO.alternator.v_per_rpm, rel=0.2)
    assert variant(DEMO, 3) == variant(DEMO, 3)
    assert variant(DEMO, 3, spread=0) == (DEMO, USUAL, 3)


def test_a_variant_runs_by_its_own_truth_and_is_wired_by_the_description() -> None:
    true = variant(DEMO, 12)
    twin = TwinPlant(
        true.plant,
        assumptions=true.assumptions,
        told=DEMO,
        sensors=true.sensors(DEMO),
        seed=2,
        state_of_charge=0.8,
    )
    twin.run(20)
    frame = twin.frame()
    assert twin.told is DEMO
    assert twin.plant is true.plant
    assert twin.bank.capacity_ah == pytest.approx(200 * true.assumptions.true_capacity)
    assert frame.mean["wheel_rpm"] != pytest.approx(TwinPlant(DEMO, seed=2).mean["wheel_rpm"], rel=1e-3)
    for channel in READ:
        shown, real = frame.shown[channel], frame.mean[channel]
        assert shown is not None
        assert shown != real
        assert shown == pytest.approx(real, rel=0.03, abs=1.5 if channel == "battery_degc" else 0.02)
    assert twin.balance().error_share < 1e-3
