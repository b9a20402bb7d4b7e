"""The delivery protocol from node to ledger under faults: every joule is booked once, by identity.

A model of a node obeys the protocol (numbers, window, rewinds, folds, receipts of one mark at a time); a model of
a broker loses, doubles and forgets; the host's side is the shipped ledger and booking. A history is a list of
operations, so a failing one shrinks. After it everything is let come to rest, and then: each row of the ledger
holds exactly the sum of the records it stands for, each of which has a different energy; no row and no gap stands
for what is still at the node; roll-ups are the exact sum of the rows.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.store.delivery_checks import check
from tests.store.delivery_world import World

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store import booking
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger, Mark

if TYPE_CHECKING:
    from collections.abc import Iterator

COURSE = [
    *["sample"] * 10,
    *["send"] * 6,
    *["deliver"] * 6,
    *["commit"] * 3,
    *["receipt"] * 4,
    *["exchange"] * 4,
    *["connect", "rewind", "live", "clock"],
]
FAULTS = {
    "link": ["down", "down"],
    "double": ["dup", "dup"],
    "dropped": ["drop", "drop"],
    "reboot": ["reboot", "reboot"],
    "fold": ["fold", "fold", "fold"],
    "fold_cut": ["fold_cut", "fold"],
    "corrupt": ["corrupt", "corrupt"],
    "spoil": ["spoil", "spoil"],
    "wipe": ["wipe"],
    "amnesia": ["amnesia"],
    "host": ["host_crash", "host_dies_after_commit", "commit_fails"],
    "restore": ["backup", "restore"],
    "torn": ["torn"],
    "new_ledger": ["new_ledger"],
}
# The faults that brought out most in the protocol's own model, together with each of the others.
# `make histories` lives through many times as many.
HISTORIES = int(os.environ.get("WHEELPIT_HISTORIES", "1"))
PAIRS = [(a, b) for a in ("reboot", "torn", "restore", "corrupt") for b in FAULTS if a != b]


@contextmanager
def world() -> Iterator[World]:
    folder = Path(tempfile.mkdtemp(prefix="wheelpit-delivery-"))
    made = World(folder)
    try:
        yield made
    finally:
        made.host.ledger.close()
        shutil.rmtree(folder)


def live_through(history: list[tuple[str, int]]) -> None:
    with world() as made:
        made.do(("connect", 0))
        for op in history:
            made.do(op)
        made.rest()
        check(made)


def histories(faults: tuple[str, ...], most: int) -> st.SearchStrategy[list[tuple[str, int]]]:
    names = COURSE + [op for fault in faults for op in FAULTS[fault]]
    return st.lists(st.tuples(st.sampled_from(names), st.integers(0, 7)), min_size=20, max_size=most)


def random_history(faults: tuple[str, ...], seed: int, length: int = 120) -> list[tuple[str, int]]:
    rng = random.Random(seed)  # noqa: S311 - histories, not secrets
    names = COURSE + [op for fault in faults for op in FAULTS[fault]]
    history: list[tuple[str, int]] = []
    for _ in range(length):
        if rng.random() < 0.03:  # an outage long enough for the ring to overflow
            history.append(("down", rng.randrange(4)))
            history += [("sample", 0)] * rng.randrange(4, 30)
        history.append((rng.choice(names), rng.randrange(8)))
    return history


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_alone(fault: str) -> None:
    @settings(max_examples=8, deadline=None)
    @given(histories((fault,), 90))
    def holds(history: list[tuple[str, int]]) -> None:
        live_through(history)

    holds()
    for seed in range(6):
        live_through(random_history((fault,), seed))


def test_all_faults_together() -> None:
    @settings(max_examples=25, deadline=None)
    @given(histories(tuple(FAULTS), 120))
    def holds(history: list[tuple[str, int]]) -> None:
        live_through(history)

    holds()
    for seed in range(25):
        live_through(random_history(tuple(FAULTS), seed))


@pytest.mark.slow
@pytest.mark.parametrize("faults", PAIRS, ids="+".join)
def test_pairs_of_faults(faults: tuple[str, str]) -> None:
    for seed in range(12 * HISTORIES):
        live_through(random_history(faults, seed))


def _books_across_holes(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    return TRUE_TAKE(head, min(prev, head.seq), record, **kept)


def _waits_for_spoiled(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    return booking.Disbelieved(decision.reason) if isinstance(decision, booking.Refused) else decision


def _forgets_boots(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    if isinstance(decision, booking.Booked) and record.boot != head.booked_seq // SEQ_PER_BOOT:
        decision.stored.totals = [
            total - head.totals.get(name, 0)
            for name, total in zip(decision.layout.totals, decision.stored.totals, strict=True)
        ]
    return decision


def _books_own_part_only(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    if isinstance(decision, booking.Booked) and decision.stored.row_ms != record.span_ms:
        decision.stored.totals = [
            total * record.span_ms // decision.stored.row_ms for total in decision.stored.totals
        ]
    return decision


TRUE_TAKE = booking.take
MUTANTS = {
    "books although a message is missing": (_books_across_holes, ("link", "dropped", "reboot")),
    "does not account for a refused record": (_waits_for_spoiled, ("spoil",)),
    "takes differences across a boot": (_forgets_boots, ("reboot",)),
    "books the record's own interval only": (_books_own_part_only, ("corrupt", "fold")),
}


@pytest.mark.parametrize("name", MUTANTS)
def test_a_broken_rule_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rule, faults = MUTANTS[name]
    monkeypatch.setattr(booking, "take", rule)
    assert _some_history_fails(faults)


def test_a_mark_that_stays_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def same(self: Ledger, now_ms: int) -> Mark:
        return Mark("0" * 16, 1)

    monkeypatch.setattr(Ledger, "begin_start", same)
    assert _some_history_fails(("torn", "restore", "new_ledger", "link"))


def test_memory_that_outlives_a_failed_commit_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Bookkeeper, "forget", lambda self: None)
    assert _some_history_fails(("host",))


def _some_history_fails(faults: tuple[str, ...]) -> bool:
    for seed in range(60):
        try:
            live_through(random_history(faults, seed))
        except (AssertionError, sqlite3.IntegrityError):
            return True
    return False
