"""What fails on boards in the field, by number, and the tests that show what the node makes of it.

    .venv/bin/python tests/firmware/failure_numbers.py [12]

prints the list, or what there is on one number. A test covers a failure when its name carries the number
(`test_f20_...`); `pytest -k f20` runs those of one.
"""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from pathlib import Path

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
# What of it can only be seen on a board. The rest of each is tested like the others.
ON_HARDWARE = {
    10: "whether a radio that is kept awake really hears everything; tested is that it is told so and never left quiet",
    12: "whether the chip's watchdog bites while a driver hangs; tested is the start after it, with a watchdog that does",
    13: "how long a real resolver hangs; tested is that it is asked only where the network tells no name server",
    21: "a counter beside real writes to flash, at 8 and 200 Hz for ten minutes; tested are the PIO program in an emulator, "
    "and every count and loss that a counter can report",
    22: "how late a real interrupt comes; tested are the interrupt with the heap locked, and one that is late or dies",
    24: "an input of the RP2350 that hangs half way up; tested is that nothing here pulls down, the notes ask for a pull-up",
    28: "the time at which the chip's watchdog really bites",
    34: "a supply that comes up slowly; the notes ask for a supervisor. Tested are the cause and the number of a start",
}
_NAME = re.compile(r"def (test(?:_f\d{2})+_\w+)")


def numbered() -> dict[int, list[str]]:
    """Return the tests that carry each number, as `file::name`."""
    found: dict[int, list[str]] = defaultdict(list)
    for path in sorted(TESTS.rglob("test_*.py")):
        for name in _NAME.findall(path.read_text(encoding="utf-8")):
            for number in re.findall(r"_f(\d{2})(?=_)", name):
                found[int(number)].append(f"{path.relative_to(TESTS)}::{name}")
    return found


def listed(numbers: list[int]) -> str:
    """Return the list as text."""
    tests = numbered()
    lines = []
    for number in numbers:
        lines.append(f"F{number:<3} {FAILURES[number]}")
        lines += [f"       {test}" for test in tests[number]]
        if number in ON_HARDWARE:
            lines.append(f"     on a board only: {ON_HARDWARE[number]}")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the list."""
    asked = [int(word.lstrip("Ff")) for word in sys.argv[1:]]
    unknown = [number for number in asked if number not in FAILURES]
    if unknown:
        sys.exit(f"no such number: {unknown}; there are {', '.join(map(str, FAILURES))}")
    sys.stdout.write(listed(asked or list(FAILURES)))


if __name__ == "__main__":
    main()
