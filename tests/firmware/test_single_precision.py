"""Boards have floats of 32 bits: forcing every float of the measuring side through them changes no record."""

from __future__ import annotations

import importlib
import random
from typing import Any

from narrow import Narrowing, narrowed_firmware
from test_settings import GOOD

from bench import Board

FIELDS = ("n", "up_ms", "dur_ms", "span_ms", "end_ms", "state", "mean", "min", "max", "total", "faults")
NOW_MS = 1_790_000_000_000
# As one would write it who does not think of it: Unix time in seconds.
CARELESS = {
    "node.clock": (
        "return None if self.anchor_ms is None else self.anchor_ms + up_ms",
        "return None if self.anchor_ms is None else round((self.anchor_ms + up_ms) / 1000.0 * 1000)",
    )
}


def records(narrowing: Narrowing, changes: dict[str, tuple[str, str]] | None = None) -> list[Any]:
    """Measure for two minutes with load steps, failed reads and a wheel that changes its speed."""
    with narrowed_firmware(narrowing, changes):
        settings = importlib.import_module("node.settings").Settings(GOOD, {})
        board = Board()
        board.add_monitor(64, 13.5, 5.4 * 1.5e-3)
        board.adc(26).raw = 13_196
        board.adc(27).raw = 11_915
        clock = importlib.import_module("node.clock").Clock(board.ticks_ms)
        found: list[Any] = []
        sink: Any = type("Sink", (), {"append": lambda _self, rec: found.append(rec)})()
        sampler = importlib.import_module("node.sampler").Sampler(settings, board, clock, 1, sink)
        chance = random.Random(3)  # noqa: S311 - a run must be repeatable
        edge_us = 0
        for sample in range(1200):
            if sample % 17 == 0:
                board.supply[64] = (chance.uniform(11, 15), chance.choice([0.0006, 0.03, -0.0001, 0.07]))
                board.bus.failing = {64} if chance.random() < 0.05 else set()
                gap_us = chance.randrange(300_000, 2_000_000)
            if board.now_us > edge_us:
                edge_us += gap_us
                board.pickup.waiting.append(edge_us)
            board.pass_ms(100)
            sampler.sample()
            if sample == 50:
                clock.offer(NOW_MS, clock.up_ms(), clock.up_ms())
        return [{name: getattr(rec, name) for name in FIELDS} for rec in found]


def test_f33_every_float_forced_through_32_bits_changes_no_record() -> None:
    wide, narrow = Narrowing(narrow=False), Narrowing(narrow=True)
    found = records(narrow)
    assert found == records(wide)
    assert len(found) > 10
    assert narrow.passed == wide.passed > 50_000
    assert narrow.floats == 0, "there is none to force"


def test_f33_a_single_float_would_be_noticed() -> None:
    narrow, wide = Narrowing(narrow=True), Narrowing(narrow=False)
    careless = records(narrow, CARELESS)
    assert narrow.floats > 10
    expected = records(wide, CARELESS)
    assert (
        max(abs(a["end_ms"] - b["end_ms"]) for a, b in zip(careless, expected, strict=True) if a["end_ms"])
        > 10_000
    )
