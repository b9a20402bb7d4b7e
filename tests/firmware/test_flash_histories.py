"""The journal in flash against a simple model: whatever happens, what it holds is true, in order, and once."""

from __future__ import annotations

from typing import Any

import pytest
from flash_bench import (
    MIDNIGHT_MS,
    MemoryFiles,
    Plant,
    PowerCutError,
    chance_of,
    held,
    make_blocks_small,
    open_journal,
    same,
    work,
)
from flash_node import BOOT
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    make_blocks_small(monkeypatch)


class History:
    """A node that lives through a history, and what must be true of its journal."""

    def __init__(self, kib: int, seed: int) -> None:
        self.kib = kib
        self.files = MemoryFiles(chance_of(seed))
        self.plant = Plant(seed=seed)
        self.now = [0]
        self.said: list[str] = []
        self.truth: dict[int, Any] = {}  # every record ever made, by seq
        self.flushed: set[int] = set()
        self.made: list[int] = []  # of this boot
        self.lost = 0  # before this boot
        self.damaged = False
        self.receipted = 0
        self.journal: Any = None
        self.start()

    def start(self) -> None:
        """Begin a boot; where power fails again while it starts, begin once more."""
        if self.journal is not None:
            self.lost += self.journal.lost
        while True:
            try:
                self.journal = open_journal(self.files, self.plant, self.kib, self.now, self.said)
            except PowerCutError:
                continue
            break
        self.made = []
        self.plant.start(self.journal.boot)

    def record(self, count: int, span_ms: int = 10_000) -> None:
        for _ in range(count):
            rec = self.plant.record(span_ms)
            self.now[0] += span_ms
            self.truth[self.journal.top + 1] = rec
            self.made.append(self.journal.top + 1)
            self.journal.append(rec)
            work(self.journal)
            self.note_flushed()

    def note_flushed(self) -> None:
        waiting = self.journal._waiting
        first = waiting[0][0] if waiting else self.journal.top + 1
        while self.made and self.made[0] < first:
            self.flushed.add(self.made.pop(0))
        if self.now[0] >= self.journal._pause_until_ms:  # else the flash has just failed
            for seq, at_ms in waiting:
                assert seq <= self.journal.upto or self.now[0] - at_ms < 60_000, (
                    "a power cut costs a minute at most"
                )

    def flush(self) -> None:
        self.journal.flush()
        self.note_flushed()

    def receipt(self, share: float) -> None:
        some = sorted(self.truth)
        if some:
            upto = some[int(share * (len(some) - 1))]
            self.receipted = max(upto, self.receipted)
            self.journal.receipted(upto)

    def cut(self, operations: int, count: int) -> None:
        """Cut power after so many operations of the flash, at most so many records on; then start again."""
        self.files.cut_in = operations
        try:
            self.record(count)
        except PowerCutError:
            event("power cut")
        self.files.cut_in = operations % 3 if operations > 30 else None  # and again while it starts
        self.start()
        self.files.cut_in = None

    def damage(self, share: float) -> None:
        """Change one byte of one file of records."""
        some = sorted(name for name in self.files.files if name.endswith(".seg") and self.files.files[name])
        if some:
            name = some[int(share * (len(some) - 1))]
            data = bytearray(self.files.files[name])
            data[self.files.chance.randrange(len(data))] ^= 1 << self.files.chance.randrange(8)
            self.files.files[name] = bytes(data)
            self.damaged = True

    def check(self) -> list[Any]:
        journal = self.journal
        found = held(journal)
        assert len(found) == journal.held
        spans = [(rec.boot * BOOT + rec.first, rec.boot * BOOT + rec.n) for rec in found]
        assert (journal.oldest, journal.newest) == ((spans[0][1], spans[-1][1]) if spans else (0, 0))
        last = 0
        for rec, (first, seq) in zip(found, spans, strict=True):
            assert last < first <= seq, "in order, and none twice"
            last = seq
            true = self.truth[seq]
            assert rec.total == true.total, (
                "totals count since boot: they are those of the newest record in it"
            )
            assert (rec.up_ms, rec.end_ms) == (true.up_ms, true.end_ms)
            if first == seq:
                assert same(rec, true)
            else:
                one = self.truth[first]
                if rec.end_ms is None:
                    assert rec.up_ms - rec.span_ms == one.up_ms - one.span_ms
                else:
                    assert rec.end_ms - rec.span_ms == one.end_ms - one.span_ms
        covered = {one for first, seq in spans for one in range(first, seq + 1)}
        assert covered <= set(self.truth)
        if not self.damaged:
            missing = self.flushed - covered
            assert all(spans and seq < spans[0][0] for seq in missing), (
                "only the oldest may have been given up"
            )
            if any(seq > self.receipted for seq in missing):
                assert journal.lost + self.lost > 0
        return found


def _history(data: st.DataObject, *, faults: bool) -> History:
    life = History(data.draw(st.sampled_from([4, 5, 6, 8, 16])), data.draw(st.integers(0, 1 << 16)))
    share = st.floats(0, 1)
    kinds = ["record", "record", "receipt", "reboot", "flush", "cut", "clock"]
    for _ in range(data.draw(st.integers(1, 12))):
        kind = data.draw(st.sampled_from([*kinds, "damage", "full"] if faults else kinds))
        if kind == "record":
            life.record(
                data.draw(st.integers(1, 150)),
                data.draw(st.sampled_from([10_000, 10_000, 1_000, 60_000, 900_000])),
            )
        elif kind == "receipt":
            life.receipt(data.draw(share))
        elif kind == "reboot":
            life.start()
        elif kind == "flush":
            life.flush()
        elif kind == "cut":
            life.cut(data.draw(st.integers(0, 40)), 60)
        elif kind == "clock":
            life.plant.anchor_ms = data.draw(
                st.none() | st.integers(0, 20_000).map(lambda ms: MIDNIGHT_MS - life.plant.up_ms + ms)
            )
        elif kind == "damage":
            life.damage(data.draw(share))
            life.start()
        else:
            life.files.broken = data.draw(st.sampled_from([5, 28]))
            life.record(data.draw(st.integers(1, 40)))
            life.files.broken = 0
        life.check()
    return life


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_f26_no_history_of_power_cuts_loses_doubles_or_reorders_a_flushed_record(
    small_blocks: None, data: st.DataObject
) -> None:
    _history(data, faults=False)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.data())
def test_f26_no_history_of_damage_and_full_flash_makes_it_believe_what_is_not_true(
    small_blocks: None, data: st.DataObject
) -> None:
    _history(data, faults=True)
