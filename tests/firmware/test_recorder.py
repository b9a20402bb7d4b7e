"""From samples to records: what they say, and when they end."""

from __future__ import annotations

import importlib
from itertools import pairwise
from typing import Any

import pytest
from test_settings import GOOD, changed

from bench import WRAP, Board

clock: Any = importlib.import_module("node.clock")
node_settings: Any = importlib.import_module("node.settings")
sampler: Any = importlib.import_module("node.sampler")

NOW_MS = 1_790_000_003_300  # 3.3 s after a whole ten


class Node:
    """The measuring side of a node on the bench, with a journal that keeps every record."""

    def __init__(self, told: dict[str, Any] | None = None, from_us: int = 0) -> None:
        self.board = Board(from_us)
        self.board.add_monitor(64, 13.5, 5.4 * 1.5e-3)
        self.board.adc(26).raw = 13_196  # 20.8 V behind the divider
        self.board.adc(27).raw = 11_915  # 10.0 degrees
        self.settings = node_settings.Settings(told or GOOD, {})
        self.clock = clock.Clock(self.board.ticks_ms)
        self.records: list[Any] = []
        self.sampler = sampler.Sampler(self.settings, self.board, self.clock, 7, self)
        self.channel = {name: i for i, name in enumerate(self.settings.layout.channels)}

    def append(self, rec: Any) -> None:
        self.records.append(rec)

    def run(self, ms: int, late_ms: int = 2) -> list[Any]:
        """Sample for a while, each time a little after the time that was asked for."""
        first = len(self.records)
        until_us = self.board.now_us + 1000 * ms
        while self.board.now_us < until_us:
            self.board.pass_ms(self.sampler.recorder.until_next_ms(self.clock.tick()) + late_ms)
            self.sampler.sample()
        return self.records[first:]

    def turn(self, rpm: float, seconds: float) -> None:
        """Let the wheel turn from now on, with four even magnets."""
        gap = 60_000_000 / rpm / 4
        first = max(self.board.pickup.newest_us, self.board.now_us - gap)
        self.board.pickup.waiting = [round(first + gap * i) for i in range(1, int(seconds * 1e6 / gap))]

    def total(self, rec: Any, name: str) -> int:
        found: int = rec.total[self.settings.layout.totals.index(name)]
        return found


def test_without_a_clock_records_end_on_whole_tens_of_up_time_and_have_no_date() -> None:
    node = Node()
    records = node.run(65_000)
    assert [rec.up_ms for rec in records] == [10_000, 20_000, 30_000, 40_000, 50_000, 60_000]
    assert all(rec.end_ms is None and rec.clock == "none" for rec in records)
    # No magnet came by: unknown until 30 s are over, then certainly standing.
    assert [rec.state for rec in records] == ["unknown", "unknown", *["stopped"] * 4]


def test_with_a_clock_records_end_on_whole_tens_of_unix_time_to_the_millisecond() -> None:
    node = Node()
    node.run(4_000)
    node.clock.offer(NOW_MS, node.clock.up_ms(), node.clock.up_ms())
    records = node.run(50_000, late_ms=7)
    dated = [rec for rec in records if rec.state != "stopped" or rec.end_ms % 10_000 == 0]
    assert [rec.end_ms % 10_000 for rec in dated] == [0] * len(dated)
    assert all(rec.clock == "host" for rec in records)
    for before, after in pairwise(records):
        assert after.end_ms - after.span_ms == before.end_ms
        assert after.n == before.n + 1
        assert after.first == after.n
    assert records[-1].span_ms == 10_000
    assert records[-1].boot == 7


def test_a_record_says_mean_least_and_most_of_its_own_interval() -> None:
    node = Node()
    node.turn(12, 100)
    node.run(19_700)
    node.board.supply[64] = (14.0, 1.5e-3)
    node.run(5_150)
    node.board.supply[64] = (13.0, 3e-3)
    record = node.run(5_350)[-1]
    amps = node.channel["charge_a"]
    volts = node.channel["battery_v"]
    assert record.min[amps] == 1_000
    assert record.max[amps] == 2_000
    assert record.mean[amps] == pytest.approx(1_500, abs=20)
    assert record.mean[volts] == pytest.approx(13_500, abs=20)
    assert record.mean[node.channel["battery_degc"]] == pytest.approx(1_000, abs=1)
    assert record.mean[node.channel["rectified_v"]] == pytest.approx(20_800, abs=3)
    assert record.mean[node.channel["wheel_rpm"]] == pytest.approx(12_000, abs=2)
    assert record.dur_ms == record.span_ms == 10_000
    assert record.faults == [None] * 5


def test_steady_power_is_booked_exactly() -> None:
    node = Node()
    node.turn(10, 700)
    records = node.run(600_000)
    spans = sum(rec.span_ms for rec in records)
    assert records[-1].up_ms == spans
    # 13.5 V x 5.4 A = 72.9 W, all the time that both were read.
    hours = node.total(records[-1], "charge_valid_ms") / 3_600_000
    assert node.total(records[-1], "charge_mwh") == pytest.approx(72_900 * hours, abs=2)
    assert node.total(records[-1], "charge_valid_ms") == pytest.approx(spans, abs=400)
    turns = node.total(records[-1], "wheel_mrev")
    assert turns == pytest.approx(1000 * 10 * spans / 60_000, abs=250)
    states = sum(node.total(records[-1], name) for name in ("turning_ms", "stopped_ms", "parked_ms"))
    assert states == node.total(records[-1], "wheel_valid_ms")


def test_a_failed_channel_is_none_with_its_reason_and_nothing_is_made_up() -> None:
    node = Node()
    node.run(20_000)
    node.board.bus.failing.add(64)
    node.board.adc(27).raw = 0
    record = node.run(20_200)[-1]
    for name, fault in (("battery_v", "bus"), ("charge_a", "bus"), ("battery_degc", "railed")):
        i = node.channel[name]
        assert (record.mean[i], record.min[i], record.max[i], record.faults[i]) == (None, None, None, fault)
    before = node.total(node.records[0], "charge_valid_ms")
    assert node.total(record, "charge_mwh") == node.total(node.records[1], "charge_mwh")
    assert node.total(record, "charge_valid_ms") < before + 20_000
    assert record.dur_ms == record.span_ms


def test_a_channel_that_failed_for_a_part_keeps_the_mean_of_the_rest() -> None:
    node = Node()
    node.run(20_000)
    node.board.bus.failing.add(64)
    node.run(3_000)
    node.board.bus.failing.clear()
    record = node.run(7_500)[-1]
    i = node.channel["battery_v"]
    assert record.mean[i] == 13_500
    assert record.faults[i] is None
    measured = node.total(record, "charge_valid_ms") - node.total(node.records[-2], "charge_valid_ms")
    assert 5_000 <= measured <= 7_100


def test_a_stall_of_the_board_is_time_that_was_not_measured() -> None:
    node = Node()
    node.run(12_000)
    node.board.pass_ms(4_000)
    record = node.run(5_000)[-1]
    # One reading stands for at most a second.
    assert record.span_ms - record.dur_ms == pytest.approx(3_000, abs=110)


def test_a_change_of_the_wheel_ends_the_record_at_once_and_travels_with_it() -> None:
    node = Node()
    node.clock.offer(NOW_MS, 0, 0)
    node.turn(10, 30)
    node.run(60_000)
    early = [rec for rec in node.records if rec.end_ms % 10_000]
    assert [rec.state for rec in early] == ["turning", "slow", "stopped"]
    # The last edge comes 28.5 s after the start; 3.6 s later the wheel is known to stand.
    stopped = early[-1]
    assert stopped.up_ms == pytest.approx(28_500 + 3_600, abs=200)
    assert all(rec.span_ms >= 1_000 for rec in node.records[1:])
    assert node.records[-1].state == "stopped"


def test_states_between_slow_and_cut_in_do_not_flicker() -> None:
    node = Node()
    node.turn(8.0, 30)
    node.run(30_000)
    assert node.sampler.snapshot().state == "turning"
    node.turn(6.6, 60)  # below cut-in, above slow: still turning
    node.run(40_000)
    assert node.sampler.snapshot().state == "turning"
    node.turn(6.4, 60)
    node.run(40_000)
    assert node.sampler.snapshot().state == "slow"
    node.turn(6.6, 60)  # above slow, below cut-in: still slow
    node.run(40_000)
    assert node.sampler.snapshot().state == "slow"
    node.turn(6.75, 60)
    node.run(40_000)
    assert node.sampler.snapshot().state == "turning"


def test_early_records_are_limited_to_sixty_an_hour() -> None:
    node = Node(changed(lambda t: t.update(channels={})))

    def rock(times: int) -> list[Any]:
        """A wheel that rocks: turns for 8 s, stands for 10 s. Return the records that ended early."""
        first = len(node.records)
        for _ in range(times):
            node.turn(20, 8)
            node.run(18_000)
        return [rec for rec in node.records[first:] if rec.up_ms % 10_000]

    assert len(rock(45)) == 60
    assert rock(5) == []
    assert all(rec.span_ms >= 1_000 for rec in node.records)
    states = sum(node.total(node.records[-1], name) for name in ("turning_ms", "stopped_ms"))
    assert states == node.total(node.records[-1], "wheel_valid_ms")
    node.board.pass_ms(3_600_000)
    assert len(rock(5)) > 5


def test_the_switch_at_the_wheel_parks_it() -> None:
    node = Node(changed(lambda t: t.update(parked_pin=9)))
    node.turn(10, 60)
    node.run(15_000)
    node.board.closed = True
    node.run(200)
    assert node.sampler.snapshot().state == "turning"  # a bounce is no switch
    records = node.run(5_000)
    assert records[0].state == "parked"
    node.board.closed = False
    node.run(6_000)
    assert node.sampler.snapshot().state == "turning"
    assert node.total(node.run(10_000)[-1], "parked_ms") == pytest.approx(5_200, abs=300)


def test_a_clock_that_is_set_or_stepped_loses_no_time_and_makes_no_short_record() -> None:
    node = Node()
    node.turn(10, 400)
    node.run(8_700)
    for step_ms in (0, 40, -30, 1_250, -2_000, 3_600_000):
        up = node.clock.up_ms()
        node.clock.offer(NOW_MS + up + step_ms, up, up)
        node.run(21_300)
    records = node.records
    assert all(rec.span_ms >= 1_000 for rec in records)
    assert all(rec.span_ms == rec.dur_ms or rec.n == 1 for rec in records)
    assert all(after.up_ms - after.span_ms == before.up_ms for before, after in pairwise(records))
    assert node.total(records[-1], "wheel_valid_ms") >= records[-1].up_ms - 3_200
    assert records[-1].end_ms % 10_000 == 0


@pytest.mark.parametrize("from_us", [WRAP - 12_000_000, 1000 * WRAP - 12_000_000])
def test_f19_ticks_that_come_round_change_no_record(from_us: int) -> None:
    def play(at_us: int) -> list[Any]:
        node = Node(from_us=at_us)
        node.turn(9.2, 60)
        node.run(5_000)
        node.clock.offer(NOW_MS, node.clock.up_ms(), node.clock.up_ms())
        return node.run(50_000)

    fields = ("n", "up_ms", "dur_ms", "span_ms", "end_ms", "state", "mean", "min", "max", "total", "faults")
    plain, wrapped = play(0), play(from_us)
    assert len(plain) == len(wrapped) >= 5
    for field in fields:
        assert [getattr(rec, field) for rec in plain] == [getattr(rec, field) for rec in wrapped]


def test_the_snapshot_is_the_newest_sample_with_its_time() -> None:
    node = Node()
    node.turn(10, 60)
    node.run(14_950)
    node.clock.offer(NOW_MS, node.clock.up_ms(), node.clock.up_ms())
    node.run(100)
    snapshot = node.sampler.snapshot()
    assert snapshot.values[node.channel["charge_a"]] == 5_400
    assert snapshot.state == "turning"
    assert snapshot.clock == "host"
    assert snapshot.at_ms % 100 == 0
    assert snapshot.at_ms - snapshot.up_ms == node.clock.anchor_ms
    assert 0 <= snapshot.edge_age_ms <= 1_500
    assert snapshot.edge_gap_ms == 1_500
    assert snapshot.faults == [None] * 5


def test_f21_lost_edges_make_no_false_speed() -> None:
    node = Node()
    node.turn(10, 30)
    node.run(20_000)
    node.board.pickup.lost = 3
    node.run(100)
    assert node.sampler.wheel.edge_gap_ms is None


def test_a_node_without_a_wheel_has_records_too() -> None:
    node = Node(changed(lambda t: t.pop("wheel")))
    record = node.run(20_100)[-1]
    assert record.state == "unknown"
    assert node.settings.layout.channels == ("rectified_v", "battery_v", "charge_a", "battery_degc")
    assert record.mean[2] == 5_400
    assert node.sampler.snapshot().edge_age_ms is None
    assert not node.sampler.approximate
