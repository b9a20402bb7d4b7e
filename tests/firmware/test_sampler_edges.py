"""Edges through the sampler: what is lost, late, dead or too many shows in the totals, as a fault, or as news."""

from __future__ import annotations

import importlib
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from shaft import passages
from test_settings import GOOD

from bench import WRAP, Board, Edges
from wheelpit.contract.messages import Birth

sampler_: Any = importlib.import_module("node.sampler")
settings: Any = importlib.import_module("node.settings")
clock_: Any = importlib.import_module("node.clock")
FOUR = [90.0, 90.0, 90.0, 90.0]


class TwoShafts(Board):
    """A board with a pickup at the wheel (pin 15) and another edge source at the alternator (pin 16)."""

    def __init__(self, from_us: int = 0) -> None:
        super().__init__(from_us)
        self.second = Edges(self)

    def edges(self, pin: int) -> Edges:
        return self.pickup if pin == 15 else self.second


class Bench:
    """A node with a wheel and, if asked for, an alternator, and the records that it makes."""

    def __init__(self, from_us: int = 0, **told: Any) -> None:
        self.board = TwoShafts(from_us)
        self.records: list[Any] = []
        self.news: list[str] = []
        made = settings.Settings({**GOOD, "channels": {}, **told}, {})
        self.totals = made.layout.totals
        self.clock = clock_.Clock(self.board.ticks_ms)
        self.sampler = sampler_.Sampler(made, self.board, self.clock, 1, self)
        self.sampler.on_news = self.news.append

    def append(self, rec: Any) -> None:
        self.records.append(rec)

    def turn(self, wheel_s: list[float], alternator_s: list[float] | None = None) -> None:
        self.board.pickup.waiting += [round(at * 1e6) for at in wheel_s]
        self.board.second.waiting += [round(at * 1e6) for at in alternator_s or []]

    def run(self, until_s: float) -> Any:
        while self.board.now_us < until_s * 1e6:
            self.board.pass_ms(100)
            self.sampler.sample()
        return self.sampler.snapshot()

    def total(self, name: str) -> int:
        found: int = self.sampler.recorder.tally.totals()[self.totals.index(name)]
        return found


@pytest.mark.parametrize("from_us", [0, WRAP - 20_000_000])
@pytest.mark.parametrize(("pulses", "kind"), [(8, "a phase"), (1, "one magnet")])
def test_f19_the_alternators_speed_beside_the_wheels(from_us: int, pulses: int, kind: str) -> None:
    bench = Bench(from_us, alternator={"pin": 16, "pulses_per_turn": pulses})
    bench.turn(passages(FOUR, 10.4, 0.1, 30), passages([360 / pulses] * pulses, 18 * 10.4 * 0.97, 0.02, 30))
    now = bench.run(29)
    assert now.values[0] == pytest.approx(10_400, rel=1e-3)
    assert now.values[1] == pytest.approx(18 * 10_400 * 0.97, rel=1e-3)  # 3 % slip
    assert now.values[1] / (18 * now.values[0]) == pytest.approx(0.97, abs=0.001)
    # It falls at once when the belt is lost, and stands.
    now = bench.run(60)
    assert now.values[1] == 0


def test_f20_uneven_magnets_at_the_alternator_cancel() -> None:
    bench = Bench(alternator={"pin": 16, "pulses_per_turn": 3})
    bench.turn([], passages([100.0, 140.0, 120.0], 187.0, 0.02, 20))
    found = set()
    for tenth in range(20, 195):
        found.add(bench.run(tenth / 10).values[1])
    assert min(found) >= 186_900
    assert max(found) <= 187_100


def test_f20_noise_at_the_alternator_is_refused() -> None:
    bench = Bench(alternator={"pin": 16, "pulses_per_turn": 8, "fastest_rpm": 1500})
    clean = passages([45.0] * 8, 187.0, 0.02, 10)
    bench.turn([], sorted(at + late for at in clean for late in (0, 0.001, 0.002)))
    assert bench.run(9).values[1] == pytest.approx(187_000, rel=1e-3)
    assert bench.sampler.alternator.rejected == pytest.approx(2 * bench.sampler.alternator.pulses, abs=2)


def test_f21_edges_without_a_time_are_turns_but_no_speed() -> None:
    bench = Bench()
    bench.turn(passages(FOUR, 10.0, 0.1, 20))
    bench.run(20.5)
    edges = bench.total("wheel_edges")
    assert bench.total("wheel_mrev") == 250 * edges
    # The board was held up for 6 s; 4 edges (6 s at 10 rpm) are counted, and the queue kept no time of them.
    bench.board.pickup.lost += 4
    bench.board.now_us += 6_000_000
    now = bench.run(26.6)
    assert bench.total("wheel_edges") == edges + 4
    assert bench.total("wheel_rejected") == 0
    assert (now.values[0], now.faults[0], now.state) == (None, "stuck", "unknown")
    bench.turn(passages(FOUR, 10.0, 27.0, 60))
    now = bench.run(50)
    assert (now.values[0], now.faults[0]) == (pytest.approx(10_000, rel=1e-3), None)


def test_f20_a_burst_that_overflows_the_queue_is_refused_not_counted() -> None:
    bench = Bench()
    times = passages(FOUR, 10.0, 0.1, 20)
    burst = [times[-1] + 0.001 * i for i in range(1, 8)]
    bench.turn([*times, *burst])
    bench.run(times[-1] + 0.15)
    edges = bench.total("wheel_edges")
    rejected = bench.total("wheel_rejected")
    assert rejected == 7
    bench.board.pickup.lost += 30
    bench.run(times[-1] + 0.5)
    assert bench.total("wheel_edges") == edges
    assert bench.total("wheel_rejected") == 37


def test_f22_a_dead_interrupt_is_news_and_stands_as_a_fault_meanwhile() -> None:
    bench = Bench()
    bench.turn(passages(FOUR, 10.0, 0.1, 20))
    bench.run(20)
    # The counter goes on, an edge every 1.5 s, and no time comes.
    for i in range(40):
        bench.board.pickup.lost += 1
        now = bench.run(20 + 1.5 * (i + 1))
        assert now.faults[0] == "stuck"
        assert now.state == "unknown"
    assert bench.total("wheel_edges") == 14 + 40
    assert bench.news == []
    bench.board.pickup.installed += 1
    bench.run(81)
    assert bench.news == ["the interrupt of a pickup had died and was put in again"]
    assert bench.sampler.installed() == 1


def test_f20_a_lost_magnet_is_news() -> None:
    bench = Bench()
    bench.turn(passages([90.0, 90.0, 180.0], 10.0, 0.1, 180))
    bench.run(180)
    assert bench.news == ["the pattern of the wheel's edges is that of 3 magnets a turn"]
    last = bench.records[-1]
    assert last.mean[0] == pytest.approx(10_000, rel=1e-3)
    turns = (
        last.total[bench.totals.index("wheel_mrev")]
        - bench.records[-7].total[bench.totals.index("wheel_mrev")]
    )
    assert turns == pytest.approx(10_000, abs=340)  # a minute at 10 rpm, to an edge


def test_what_the_pickups_found_out_is_told_in_the_birth(capsys: pytest.CaptureFixture[str]) -> None:
    app: Any = importlib.import_module("node.app")
    board: Any = TwoShafts()
    board.name, board.chip, board.wlan = "a board", "0a0b", SimpleNamespace()
    board.reset_cause, board.open_connection = lambda: "power", None
    board.restart = board.random_bytes = lambda *_: bytes(8)
    board.watchdog = lambda _ms: SimpleNamespace(feed=lambda: None)
    told = settings.Settings({**GOOD, "channels": {}, "alternator": {"pin": 16, "pulses_per_turn": 8}}, {})
    node = app.Node(board, told)
    born = msgspec.convert(node.birth(), Birth)
    assert born.channels["wheel_rpm"].detail == {"pin": 15, "magnets": 4, "fastest_rpm": 120}
    assert born.channels["alternator_rpm"].detail["pulses_per_turn"] == 8
    assert born.restarts == {}
    assert not node.delivery.birth_due
    board.pickup.waiting += [round(at * 1e6) for at in passages([90.0, 90.0, 180.0], 10.0, 0.1, 180)]
    while board.now_us < 180e6:
        board.pass_ms(100)
        node.sampler.sample()
    board.second.installed += 1
    node.sampler.sample()
    born = msgspec.convert(node.birth(), Birth)
    assert born.channels["wheel_rpm"].detail == {
        "pin": 15, "magnets": 4, "fastest_rpm": 120, "magnets_seen": 3
    }  # fmt: skip
    assert born.restarts == {"pickup": 1}
    assert node.delivery.birth_due
    assert "3 magnets a turn" in capsys.readouterr().out
