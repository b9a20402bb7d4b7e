"""Weeks without a host on MicroPython and littlefs, and what the host then books of them."""

from __future__ import annotations

import json
import subprocess
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from interpreters import ON_BOARD, command

from wheelpit.ingest.decode import decode
from wheelpit.store.booking import Booked, Head, Sent, take

if TYPE_CHECKING:
    from collections.abc import Callable

# The file system of a Pico W: 868,352 bytes in blocks of 4096, as its build of MicroPython lays it out
# (ports/rp2/boards/RPI_PICO_W/mpconfigboard.cmake); the journal may take half of it.
PICO_BLOCKS: Final = 212
PICO_KIB: Final = 424
_HEAP: Final = "64m"  # for the flash in memory, not for the node
_TOPIC: Final = "wheelpit/1/mill/node/record"


@dataclass(frozen=True)
class Month:
    """What the node reported, what the host's booking made of its messages, and what was really counted."""

    report: dict[str, Any]
    booked: Counter[str]
    truth: Counter[str]
    decisions: Counter[str]
    gaps: int
    longest_ms: Counter[int]

    @property
    def error_mwh(self) -> int:
        """How far the booked energy is off."""
        return abs(self.booked["charge_mwh"] - self.truth["charge_mwh"])


def live(
    days: float, kib: int, blocks: int, channels: int, told: Callable[[str], None] = lambda _: None
) -> Month:
    """Run the days on MicroPython, then book every message as the host does."""
    arguments, environment = command(
        "micropython",
        ON_BOARD / "flash_month.py",
        str(days),
        str(kib),
        str(blocks),
        str(channels),
        heap=_HEAP,
    )
    report: dict[str, Any] = {}
    head = Head()
    booked: Counter[str] = Counter()
    decisions: Counter[str] = Counter()
    spans: Counter[int] = Counter()
    gaps = 0
    other: list[str] = []
    with subprocess.Popen(
        arguments, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as node:
        for line in node.stdout or ():
            kind, _, rest = line.rstrip().partition(" ")
            if kind == "progress":
                told(rest)
            elif kind == "message":
                raw = rest.encode()
                message = decode(_TOPIC, raw, len(raw))[1]
                assert isinstance(message, Sent)
                prev = message.after
                for record in message.records:
                    decision = take(head, prev, record)
                    decisions[type(decision).__name__] += 1
                    if isinstance(decision, Booked):
                        head = decision.head
                        gaps += sum(hole.last - hole.first + 1 for hole in decision.holes)
                        booked.update(dict(zip(decision.layout.totals, decision.stored.totals, strict=True)))
                        spans[decision.record.span_ms] += 1
                    prev = record.seq or prev
            elif line.startswith("{"):
                report = json.loads(line)
            else:
                other.append(line)
    assert report, "".join(other)
    truth: Counter[str] = Counter()
    for total in report["by_boot"].values():
        truth.update(dict(zip(report["totals"], total, strict=True)))
    return Month(report, booked, truth, decisions, gaps, spans)
