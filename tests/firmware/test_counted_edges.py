"""An interrupt's times checked against the chip's counter, on the board module of the ESP32 and alone."""

from __future__ import annotations

import importlib
import sys
import types
from array import array
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

counted: Any = importlib.import_module("node.counted")
pins: Any = importlib.import_module("node.pins")
BOARDS = Path(__file__).resolve().parents[2] / "firmware" / "boards"
WRAP = 1 << 30


class Chip:
    """A pin with an interrupt and a counter, each of which can miss an edge or see one too many."""

    def __init__(self) -> None:
        self.now_us = WRAP - 3_000_000
        self.count = 0
        self.listening = False
        self.installs = 0
        self.ring = pins.EdgeRing(self.ticks_us)
        self.ticks = array("I", [0] * 64)
        self.source = counted.CountedEdges(self.ring, lambda: self.count, self.install, self.ticks_us)

    def ticks_us(self) -> int:
        return self.now_us % WRAP

    def install(self) -> None:
        self.installs += 1
        self.listening = True

    def edge(self, *, seen: bool = True, counts: bool = True) -> None:
        self.count += counts
        if seen and self.listening:
            self.ring.note(None)

    def read(self) -> list[int]:
        return list(self.ticks[: self.source.read_into(self.ticks)])

    def run(self, gaps_ms: list[int], **how: Any) -> list[int]:
        found = []
        for gap_ms in gaps_ms:
            for _ in range(gap_ms // 100):
                self.now_us += 100_000
                found += self.read()
            self.edge(**how)
        return found


def test_f21_the_times_are_the_interrupts_and_the_count_the_counters() -> None:
    chip = Chip()
    found = chip.run([500] * 40)
    found += chip.read()
    assert len(found) == 40
    assert {(b - a) % WRAP for a, b in pairwise(found)} == {500_000}
    assert (chip.source.lost, chip.source.exact, chip.source.installed) == (0, True, 0)


def test_f21_an_edge_that_the_interrupt_missed_is_counted_before_the_next_one() -> None:
    chip = Chip()
    chip.run([500] * 3)
    chip.read()
    chip.run([500], seen=False)
    chip.now_us += 100_000
    assert chip.read() == []
    assert chip.source.lost == 0  # it may only be late
    chip.now_us += 100_000
    assert chip.read() == []
    assert chip.source.lost == 1
    chip.run([300])
    assert len(chip.read()) == 1
    assert chip.source.lost == 1


def test_f22_an_interrupt_that_comes_late_is_not_missed() -> None:
    chip = Chip()
    for _ in range(50):
        chip.edge(seen=False)
        chip.now_us += 100_000
        chip.read()
        chip.ring.note(None)  # the scheduler came round only now
        chip.now_us += 400_000
        assert len(chip.read()) == 1
    assert chip.source.lost == 0


def test_f20_a_spike_too_short_for_the_counter_is_no_edge() -> None:
    chip = Chip()
    chip.run([500] * 4)
    assert len(chip.read()) == 1
    edges = chip.now_us % WRAP
    chip.now_us += 60_000
    chip.edge(counts=False)
    chip.now_us += 440_000
    chip.edge()
    assert chip.read() == [(edges + 500_000) % WRAP]
    for _ in range(10):  # more spikes than edges
        chip.edge(counts=False)
    assert chip.read() == []
    chip.now_us += 500_000
    chip.edge()
    assert len(chip.read()) == 1
    assert chip.source.lost == 0


@pytest.mark.parametrize("per_100_ms", [1, 5])
def test_f22_an_interrupt_that_died_is_installed_again_within_a_minute_and_told(per_100_ms: int) -> None:
    chip = Chip()
    chip.run([200] * 10)
    chip.read()
    chip.listening = False
    edges = chip.count
    for _ in range(700):
        for _ in range(per_100_ms):
            chip.edge()
        chip.now_us += 100_000
        chip.read()
        if chip.installs == 2:
            break
    assert chip.source.installed == 1
    assert 60 <= (chip.count - edges) / per_100_ms / 10 <= 61
    assert chip.source.lost >= chip.count - edges - per_100_ms
    chip.run([500] * 5)
    chip.read()
    assert chip.installs == 2


def test_f22_a_wheel_that_stands_is_no_dead_interrupt() -> None:
    chip = Chip()
    chip.run([500] * 3)
    chip.run([600_000], seen=False)
    chip.run([600_000])
    assert chip.source.installed == 0


class Pin:
    IN, OUT, PULL_UP, IRQ_FALLING, OPEN_DRAIN = range(5)

    def __init__(self, number: int, *_settings: int) -> None:
        self.number = number
        self.handler: Any = None

    def irq(self, handler: Any, **_how: Any) -> None:
        self.handler = handler


def board_of(kind: str, monkeypatch: pytest.MonkeyPatch, **machine_has: Any) -> Any:
    """Return a board's module with the chip's modules replaced."""

    class Anything(types.ModuleType):
        def __getattr__(self, name: str) -> Any:
            if name.startswith("__") or name == "Counter":
                raise AttributeError(name)
            return name

    wlan = types.SimpleNamespace(IF_STA=0, PM_NONE=0, active=lambda *_: None, config=lambda **_: None)

    class Wlan:
        IF_STA = PM_NONE = 0

        def __new__(cls, *_: Any) -> Any:
            return wlan

    machine = Anything("machine")
    vars(machine).update(
        Pin=Pin, unique_id=lambda: b"\x01\x02", disable_irq=lambda: 0, enable_irq=lambda _: None,
        freq=lambda: 150_000_000, **machine_has,
    )  # fmt: skip
    network = types.ModuleType("network")
    vars(network).update(WLAN=Wlan)
    onewire = types.ModuleType("onewire")
    vars(onewire).update(OneWire=None)
    rp2 = types.ModuleType("rp2")
    vars(rp2).update(
        asm_pio=lambda **_: lambda program: program, PIO=types.SimpleNamespace(SHIFT_LEFT=0, JOIN_RX=2)
    )
    for module in (machine, network, onewire, rp2):
        monkeypatch.setitem(sys.modules, module.__name__, module)
    for module_name in ("hal", "pio_edges"):
        monkeypatch.delitem(sys.modules, module_name, raising=False)
    monkeypatch.syspath_prepend(str(BOARDS / kind))
    found = importlib.import_module("hal")
    for module_name in ("hal", "pio_edges"):
        monkeypatch.delitem(sys.modules, module_name, raising=False)
    return found


class Counter:
    """The chip's counter, as the interpreter offers it from release 1.26 on."""

    FALLING = 2
    made: tuple[Any, ...] = ()

    def __init__(self, number: int, pin: Pin, *, edge: int, filter_ns: int) -> None:
        if number > 1:
            raise ValueError("no such unit")
        type(self).made = (*self.made, (number, pin.number, edge, filter_ns))

    def value(self) -> int:
        return 0


def test_f21_an_esp32_counts_in_hardware_and_says_approximate_where_it_cannot(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Counter, "made", ())
    board = board_of("esp32", monkeypatch, Counter=Counter).Board()
    assert [board.edges(pin).exact for pin in (25, 26, 27)] == [True, True, False]
    # F20: spikes shorter than 12.8 us, the most that its filter can do, are none.
    assert Counter.made == ((0, 25, Counter.FALLING, 12_800), (1, 26, Counter.FALLING, 12_800))
    assert "pin 27: no counter (no such unit); an interrupt counts its edges" in capsys.readouterr().out


def test_f21_an_esp32_without_a_counter_is_approximate(monkeypatch: pytest.MonkeyPatch) -> None:
    assert board_of("esp32", monkeypatch).Board().edges(25).exact is False


def test_f21_a_pico_counts_in_hardware_and_says_approximate_where_it_cannot(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Machines:
        def __init__(self, number: int, *_program: Any, **_how: Any) -> None:
            if number > 1:
                raise OSError("StateMachine in use")

        def active(self, _on: int) -> None:
            pass

    module = board_of("rp2", monkeypatch)
    monkeypatch.setattr(sys.modules["rp2"], "StateMachine", Machines, raising=False)
    board = module.Board()
    assert [board.edges(pin).exact for pin in (15, 14, 13)] == [True, True, False]
    assert "pin 13: no state machine (StateMachine in use)" in capsys.readouterr().out
    # At a clock that is no whole number of megahertz its microseconds would drift.
    monkeypatch.setattr(sys.modules["machine"], "freq", lambda: 133_500_000)
    assert module.Board().edges(15).exact is False
