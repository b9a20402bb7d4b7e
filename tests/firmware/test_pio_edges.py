"""Counting by the RP2's programmable input: the program in an emulator, and what the board makes of its words."""

from __future__ import annotations

import importlib
from array import array
from typing import Any

import pytest
from pio import Line, StateMachine, load

MODULE, PROGRAM = load()
WRAP = 1 << 30
pulses: Any = importlib.import_module("node.pulses")
shaft: Any = importlib.import_module("node.shaft")


class Bench:
    """A pickup read every `every_us`, with the board's ticks at `from_us` when it begins."""

    def __init__(
        self, lows: list[tuple[int, int]], monkeypatch: pytest.MonkeyPatch, *, from_us: int = 0, x: int = 0
    ) -> None:
        self.from_us = from_us
        self.machine = StateMachine(PROGRAM, Line(lows))
        monkeypatch.setattr(MODULE.rp2, "StateMachine", self._make)
        self.source = MODULE.PioEdges(0, 15, lambda: (self.machine.state.clock + from_us) % WRAP)
        self.ticks = array("I", [0] * 64)
        self.found: list[int] = []
        if x:
            # As if it had run for long: set after the program has set it to zero.
            self.machine.run_to(40)
            self.machine.state = importlib.import_module("dataclasses").replace(
                self.machine.state, x_register=(self.machine.state.x_register - x) & 0xFFFFFFFF
            )
            self.source._began_us -= 4 * x

    def _make(self, _number: int, program: Any, *, freq: int, jmp_pin: Any) -> StateMachine:
        assert program is PROGRAM
        assert freq == 1_000_000
        assert jmp_pin.number == 15
        return self.machine

    def read(self) -> list[int]:
        count = self.source.read_into(self.ticks)
        taken = [(tick - self.from_us) % WRAP for tick in self.ticks[:count]]
        self.found += taken
        return taken

    def run(self, until_us: int, every_us: int = 100_000) -> list[int]:
        while self.machine.state.clock < until_us:
            self.machine.run_to(min(until_us, self.machine.state.clock + every_us))
            self.read()
        return self.found


def square(hz: float, seconds: float, begin_us: int = 1000) -> list[tuple[int, int]]:
    period = 1e6 / hz
    return [
        (round(begin_us + i * period), round(begin_us + (i + 0.4) * period)) for i in range(int(seconds * hz))
    ]


def near(found: list[int], lows: list[tuple[int, int]]) -> bool:
    return len(found) == len(lows) and all(
        abs(at - begin) <= 3 for at, (begin, _) in zip(found, lows, strict=True)
    )


def test_the_program_fits_beside_nothing_else_and_says_what_the_assembler_makes_of_it() -> None:
    # Assembled from the same instructions by adafruit-circuitpython-pioasm 1.3.8.
    assert " ".join(f"{word:04x}" for word in PROGRAM.words) == (
        "e020 e040 0043 01c5 0002 0146 01c8 0002 0149 02ca "
        "014b 01ca 014d 01ca 014f 01ca 0091 404a 4036 8000 0055 0156 0002"
    )
    assert (PROGRAM.wrap_target, PROGRAM.wrap_top) == (2, 9)
    assert len(PROGRAM.words) <= 32


@pytest.mark.parametrize("hz", [0.1, 0.7, 1.0, 8.0, 40.0])
def test_f21_each_edge_has_its_own_time(monkeypatch: pytest.MonkeyPatch, hz: float) -> None:
    lows = square(hz, max(1.0, 4 / hz))
    bench = Bench(lows, monkeypatch)
    bench.run(lows[-1][1] + 200_000)
    assert near(bench.found, lows)
    assert bench.source.lost == 0
    assert bench.source.exact


def test_without_leaping_the_emulator_tells_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    lows = square(180, 0.04)
    found = []
    for leaping in (True, False):
        bench = Bench(lows, monkeypatch)
        bench.machine._leaping = leaping
        found.append(bench.run(40_000, 10_000))
    assert found[0] == found[1]
    assert near(found[0], lows)


@pytest.mark.parametrize("phase", range(4))
def test_no_drift_between_its_time_and_the_ticks(monkeypatch: pytest.MonkeyPatch, phase: int) -> None:
    # Edges take whole loops, however the line changes: after 120 of them the error is that of the first.
    lows = [(1000 + 1237 * i + phase, 1000 + 1237 * i + phase + 300 + i % 97) for i in range(120)]
    bench = Bench(lows, monkeypatch)
    bench.run(lows[-1][1] + 1000, 2_000)
    assert near(bench.found, lows)


def test_f21_at_200_hz_the_count_is_exact_though_the_queue_overflows(monkeypatch: pytest.MonkeyPatch) -> None:
    lows = square(200, 1.2)
    bench = Bench(lows, monkeypatch)
    # Half a second without a look, as while flash is written.
    bench.run(400_000)
    bench.machine.run_to(900_000)
    bench.read()
    bench.run(1_400_000)
    assert bench.source.lost > 0
    # The last words of a full queue are seen with the next edge; here the line is quiet at the end, so none is owed.
    number = -(bench.machine.state.y_register) & 0x3FF
    assert number == len(lows)
    owed = (number - bench.source._number) & 0x3FF
    assert len(bench.found) + bench.source.lost + owed == len(lows)
    begins = {begin for begin, _ in lows}
    assert all(
        any(abs(at - begin) <= 3 for begin in range(at - 3, at + 4) if begin in begins) for at in bench.found
    )


def test_f21_the_speed_of_a_phase_at_200_hz_is_right_from_what_the_queue_held(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # f = p n / 60: 200 Hz from 8 pole pairs are 1500 rpm.
    bench = Bench(square(200, 1.3), monkeypatch)
    machine = shaft.Shaft(8, 3000, 0)
    lost = 0
    for tenth in range(1, 13):
        bench.machine.run_to(100_000 * tenth)
        taken = bench.read()
        if bench.source.lost != lost:
            machine.missed(bench.source.lost - lost)
            lost = bench.source.lost
        machine.update(array("I", taken), len(taken), 100_000 * tenth, 100 * tenth)
    assert machine.mrpm == pytest.approx(1_500_000, rel=2e-4)
    assert machine.rejected == 0


def test_f20_spikes_are_no_edges_and_bounce_is_left_to_the_gate(monkeypatch: pytest.MonkeyPatch) -> None:
    spikes = [(500, 503), (2000, 2007), (3000, 3001)]  # shorter than two looks
    bounce = [(10_000, 12_000), (12_400, 13_000), (13_003, 16_000), (16_030, 20_000)]
    bench = Bench([*spikes, *bounce], monkeypatch)
    bench.run(50_000, 25_000)
    # A rise of 3 us within the fall is a spike too; one of 30 us or more is an edge that the speed's gate refuses.
    assert [round(at, -1) for at in bench.found] == [10_000, 12_400, 16_030]
    wheel = pulses.Wheel(4, 120, 0)
    wheel.update(array("I", bench.found), len(bench.found), 50_000, 50)
    assert (wheel.edges, wheel.rejected) == (1, 2)


def test_a_magnet_already_at_the_pickup_is_no_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench([(0, 5_000), (8_000, 9_000)], monkeypatch)
    bench.run(20_000, 10_000)
    assert near(bench.found, [(8_000, 9_000)])


def test_f19_a_stand_of_an_hour_and_every_wrap_on_the_way(monkeypatch: pytest.MonkeyPatch) -> None:
    hour_us = 3_600_000_000
    lows = [
        (1_000, 50_000),
        (200_000, 250_000),
        (hour_us, hour_us + 50_000),
        (hour_us + 1_500_000, hour_us + 1_550_000),
    ]
    bench = Bench(lows, monkeypatch, from_us=WRAP - 5)
    bench.run(300_000)
    # While the wheel stands, nothing but the time passes; the board looks ten times a second.
    bench.run(hour_us - 100_000, 10_000_000)
    bench.run(hour_us + 2_000_000)
    assert bench.source.lost == 0
    assert near(bench.found, [(begin % WRAP, end) for begin, end in lows])


@pytest.mark.parametrize("x", [(1 << 32) - 20, (1 << 22) - 20, (1 << 22) * 5 - 300])
def test_f19_the_programs_own_counters_come_round(monkeypatch: pytest.MonkeyPatch, x: int) -> None:
    lows = square(700, 0.01)
    bench = Bench(lows, monkeypatch, x=x)
    bench.run(15_000, 1_000)
    assert near(bench.found, lows)


def test_f19_the_number_of_an_edge_comes_round(monkeypatch: pytest.MonkeyPatch) -> None:
    lows = square(2000, 0.52)
    bench = Bench(lows, monkeypatch)
    bench.run(530_000, 1_000)
    assert len(lows) > 1024
    assert near(bench.found, lows)
    assert bench.source.lost == 0


def test_f21_a_board_that_did_not_look_for_too_long_knows_the_number_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lows = [(20_000_000 + 1_000_000 * i, 20_000_000 + 1_000_000 * i + 1000) for i in range(3)]
    bench = Bench(lows, monkeypatch)
    bench.machine.run_to(23_000_000)
    assert bench.read() == []
    assert bench.source.lost == 3


class Full:
    """A queue that gives words as a test tells them: number and microseconds of each."""

    def __init__(self, words: list[tuple[int, int]]) -> None:
        self.words = [(-number & 0x3FF) << 22 | (-(at_us // 4) & 0x3FFFFF) for number, at_us in words]

    def rx_fifo(self) -> int:
        return len(self.words)

    def get(self) -> int:
        return self.words.pop(0)


def test_f21_times_before_and_after_a_hole_come_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench([], monkeypatch)
    bench.machine.state = importlib.import_module("dataclasses").replace(bench.machine.state, clock=900_000)
    bench.source._machine = Full([(1, 100_000), (2, 200_000), (7, 700_000), (8, 800_000)])
    assert bench.read() == [100_000 - 10, 200_000 - 10]
    assert bench.source.lost == 0
    assert bench.read() == [700_000 - 10, 800_000 - 10]
    assert bench.source.lost == 4
