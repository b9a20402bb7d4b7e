"""What fails on boards in the field, by number; each has at least one test whose name carries it (`test_f20_...`).

`pytest -k f20` runs the tests of one, `pytest --collect-only -q -k f20` names them.
"""

from __future__ import annotations

import re
from collections import defaultdict
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]
FAILURES = {
    1: "a broker never acknowledges, and the board waits for ever",
    2: "packet ids pass 65535",
    3: "a broker restarts in the middle of an exchange",
    4: "acknowledgements come late, messages pile up",
    5: "no network, no address or no broker at the start",
    6: "assert used for conditions of the outer world",
    7: "the connection breaks between a message and its acknowledgement: duplicates",
    8: "a peer accepts and stays silent",
    9: "the radio says connected and is not",
    10: "a quiet radio goes deaf",
    11: "the second attempt to join is refused",
    12: "a call of the radio never returns",
    13: "looking up a name never returns",
    15: "memory leaks away, sample by sample",
    16: "a vanished peer is not noticed",
    17: "a wrong time is believed",
    18: "the chip's calendar begins in another year",
    19: "ticks come round",
    20: "bounce, spikes, a magnet lost or uneven, a wheel that rocks",
    21: "edges are lost while flash is written",
    22: "an interrupt is late, allocates, or dies for ever",
    24: "a pulled-down input holds half way up",
    25: "a chip or its bus hangs, or browns out to its defaults",
    26: "flash: power cuts, wear, a full or damaged store",
    27: "threads lock up with flash",
    28: "the watchdog does not bite, or bites too soon",
    29: "a start that fails leaves a dead board",
    31: "a task dies and the others go on as if nothing were",
    32: "the heap is too small or in pieces",
    33: "32-bit floats and small integers",
    34: "brown-out and slow ramps: why and how often it started",
    35: "compiled code of another version",
}
_NAME = re.compile(r"def test((?:_f\d{2})+)_\w+")


def numbered() -> dict[int, set[str]]:
    """Return the files of tests that carry each number."""
    found: dict[int, set[str]] = defaultdict(set)
    for path in TESTS.rglob("test_*.py"):
        for match in _NAME.finditer(path.read_text(encoding="utf-8")):
            for number in re.findall(r"\d{2}", match[1]):
                found[int(number)].add(path.name)
    return found


@pytest.mark.parametrize("number", FAILURES, ids=lambda number: f"F{number} {FAILURES[number]}")
def test_each_failure_has_a_test_that_carries_its_number(number: int) -> None:
    assert numbered()[number], f"no test is called test_f{number:02}_..."


def test_no_test_carries_a_number_that_nobody_knows() -> None:
    assert set(numbered()) <= set(FAILURES)
