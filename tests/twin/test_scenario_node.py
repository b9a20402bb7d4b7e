"""The model of the node against the firmware itself, and by its own words."""

from __future__ import annotations

import importlib
import random
from array import array
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.wiring import fastest_rpm, node_settings, steps_per_unit
from wheelpit.twin.scenarios.node import NodeModel
from wheelpit.twin.scenarios.pickup import MeasuredWheel

if TYPE_CHECKING:
    from wheelpit.contract.messages import Live, Record

DEMO = load_plant(demo_plant_path())
FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
START_MS = 1_790_000_000_000
TICK_US = 100_000
SHOWN = {
    "rectified_v": 20.8, "battery_v": 13.5, "battery_degc": 12.0, "charge_a": 5.4, "battery_a": 4.1, "dump_a": 0.0,
    "rectified_a": 3.8,
}  # fmt: skip


def _firmware(monkeypatch: pytest.MonkeyPatch, name: str) -> Any:
    monkeypatch.syspath_prepend(str(FIRMWARE / "sim" / "cpython"))
    monkeypatch.syspath_prepend(str(FIRMWARE))
    return importlib.import_module(name)


def _edges(seed: int, until_us: int) -> list[int]:
    """Return passages of four uneven magnets on a wheel that lopes, stops, rocks and bounces."""
    chance = random.Random(seed)  # noqa: S311 - a story, not a secret
    at_us, found = 0.0, []
    gaps = [0.95, 1.1, 1.0, 0.95]
    number = 0
    while at_us < until_us:
        mood = chance.random()
        rpm = chance.choice([4.0, 6.4, 9.0, 14.0, 22.0])
        if mood < 0.15:
            at_us += chance.uniform(1e6, 60e6)  # it stands
        for _ in range(chance.randrange(3, 30)):
            at_us += gaps[number % 4] * 15e6 / rpm * chance.uniform(0.9, 1.1)
            number += 1
            found.append(round(at_us))
            if mood > 0.9:
                found.append(round(at_us + chance.uniform(2e3, 200e3)))
    return sorted(set(found))


@pytest.mark.parametrize("seed", range(12))
def test_speed_and_standing_are_those_of_the_firmware(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    pulses = _firmware(monkeypatch, "node.pulses")
    length_us = 600_000_000
    theirs, ours = pulses.Wheel(4, fastest_rpm(DEMO), 0), MeasuredWheel(4, fastest_rpm(DEMO))
    waiting = _edges(seed, length_us)
    place = 0
    for now_us in range(TICK_US, length_us, TICK_US):
        begun = place
        while place < len(waiting) and waiting[place] <= now_us:
            place += 1
        due = waiting[begun:place]
        theirs.update(
            array("I", [at % (1 << 30) for at in due]), len(due), now_us % (1 << 30), now_us // 1000
        )
        ours.update(due, now_us)
        assert (theirs.edges, theirs.rejected, theirs.standing) == (ours.edges, ours.rejected, ours.standing)
        if theirs.mrpm is None:
            assert ours.rpm is None
        else:
            assert ours.rpm == pytest.approx(theirs.mrpm / 1000, rel=2e-3, abs=0.01)
        if theirs.edge_gap_ms is None:
            assert ours.edge_gap_us is None
        else:
            assert ours.edge_gap_us is not None
            assert ours.edge_gap_us // 1000 == theirs.edge_gap_ms
        age_us = ours.edge_age_us(now_us)
        told_ms = theirs.edge_age_ms(now_us // 1000)
        assert (age_us is None) == (told_ms is None)
        if age_us is not None:
            assert age_us / 1000 == pytest.approx(told_ms, abs=1.5)
    assert ours.edges > 100


class _Kept(list[Any]):
    """Where the firmware's recorder puts its records."""


def _shown(chance: random.Random) -> dict[str, float | None]:
    charge_a = chance.choice([0.0, 0.04, 0.3, 5.4, -0.2])
    return {**SHOWN, "charge_a": charge_a, "battery_a": chance.uniform(-8, 5), "dump_a": chance.uniform(0, 9)}


@pytest.mark.parametrize("seed", range(3))
def test_records_are_those_of_the_firmware(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = _firmware(monkeypatch, "node.settings")
    recorder_module, clock_module = (_firmware(monkeypatch, f"node.{name}") for name in ("recorder", "clock"))
    pulses = _firmware(monkeypatch, "node.pulses")
    told = settings.Settings(node_settings(DEMO, "wheel", "127.0.0.1", 1883), {})
    now_us, kept = 0, _Kept()
    clock = clock_module.Clock(lambda: now_us // 1000)
    clock.offer(START_MS, 0, 0)
    wheel = pulses.Wheel(4, told.wheel.fastest_rpm, 0)
    theirs = recorder_module.Recorder(told, clock, 1, kept, wheel)
    ours = NodeModel(DEMO, "wheel", journal="0" * 16, start_ms=START_MS)
    chance = random.Random(seed)  # noqa: S311 - a story, not a secret
    waiting = _edges(seed + 50, 400_000_000)
    found: list[Record] = []
    for step in range(3_000):
        if step % 70 == 0:
            shown = _shown(chance)
        parked = 1500 <= step < 1700
        due = [at for at in waiting if now_us < at <= now_us + TICK_US]
        begun_us, now_us = now_us, now_us + TICK_US
        wheel.update(array("I", due), len(due), now_us, now_us // 1000)
        for place, channel in enumerate(told.layout.channels):
            value = shown.get(channel)
            theirs.values[place] = None if value is None else round(value * steps_per_unit(channel))
        theirs.values[0] = wheel.mrpm
        theirs.take(clock.tick(), parked=parked)
        said = ours.frame(TICK_US, [at - begun_us for at in due], shown, parked=parked)
        if said.record is not None:
            found.append(said.record)
    assert [rec.n for rec in kept] == list(range(1, len(found) + 1))
    assert len(found) >= 30
    for rec, record in zip(kept, found, strict=True):
        assert (rec.up_ms, rec.span_ms, rec.end_ms) == (record.up_ms, record.span_ms, record.end_ms)
        assert (rec.state, rec.clock) == (record.state, record.clock)
        for place, channel in enumerate(told.layout.channels):
            steps = steps_per_unit(channel)
            for theirs_said, ours_said in (
                (rec.mean, record.mean),
                (rec.min, record.min),
                (rec.max, record.max),
            ):
                value = ours_said[channel]
                if theirs_said[place] is None:
                    assert value is None
                else:
                    assert value == pytest.approx(theirs_said[place] / steps, rel=2e-3, abs=2 / steps), (
                        channel
                    )
        for name, total in zip(told.layout.totals, rec.total, strict=True):
            assert record.total[name] == pytest.approx(total, rel=2e-3, abs=120), name


def test_a_live_message_comes_every_second_and_a_record_every_ten() -> None:
    node = NodeModel(DEMO, "wheel", journal="0" * 16, start_ms=START_MS)
    lives: list[Live] = []
    records: list[Record] = []
    for _ in range(20 * 60):
        said = node.frame(50_000, [], SHOWN)
        lives += [said.live] if said.live else []
        records += [said.record] if said.record else []
    assert [live.up_ms for live in lives] == [1000 * k for k in range(1, 61)]
    assert [live.at_ms for live in lives] == [START_MS + 1000 * k for k in range(1, 61)]
    on_tens = [record.end_ms for record in records if record.span_ms == 10_000]
    assert on_tens == [START_MS + 10_000 * k for k in (1, 2, 3, 5, 6)]
    # After half a minute without an edge the wheel stands: told at once, and the ten is cut in two.
    assert [record.state for record in records] == ["unknown"] * 3 + ["stopped"] * 4


def test_without_a_clock_nothing_is_dated() -> None:
    node = NodeModel(DEMO, "wheel", journal="0" * 16, start_ms=START_MS, has_clock=False)
    said = [node.frame(1_000_000, [], SHOWN) for _ in range(10)]
    assert all(one.live is not None and one.live.at_ms is None and one.live.clock == "none" for one in said)
    (record,) = [one.record for one in said if one.record is not None]
    assert record.end_ms is None


@pytest.mark.parametrize(
    ("channel", "shown", "value", "fault"),
    [
        ("battery_v", None, None, "bus"),
        ("rectified_v", None, 0.0, None),
        ("battery_degc", None, None, "railed"),
        ("battery_degc", 280.0, None, "railed"),
        ("battery_degc", -50.0, None, "railed"),
        ("charge_a", 54.7, None, "railed"),
        ("battery_v", 13.4567, 13.457, None),
        ("battery_degc", 12.345, 12.35, None),
    ],
)
def test_what_a_sensor_shows_is_read_as_the_firmware_reads_it(
    channel: str, shown: float | None, value: float | None, fault: str | None
) -> None:
    node = NodeModel(DEMO, "wheel", journal="0" * 16, start_ms=START_MS)
    said = node.frame(1_000_000, [], {**SHOWN, channel: shown})
    assert said.live is not None
    assert said.live.values[channel] == (None if value is None else pytest.approx(value, abs=0.011))
    assert said.live.faults.get(channel) == fault
