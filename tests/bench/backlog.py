"""A node's backlog: records as measured ones look, and the messages and the birth that bring them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from wheelpit.contract.names import CHANNELS, SEQ_PER_BOOT, TOTALS

MESSAGE_BYTES: Final = 4096  # as in firmware/node/encode.py
FOUR: Final = ("wheel_rpm", "rectified_v", "battery_v", "charge_a")
TWELVE: Final = tuple(CHANNELS)[:12]
# What a node of four channels counts, and one that measures everything.
MINIMUM_TOTALS: Final = (*tuple(TOTALS)[:6], *tuple(TOTALS)[7:10], *tuple(TOTALS)[12:16])
FULL_TOTALS: Final = tuple(TOTALS)
# Totals that hardly ever grow at a plant that runs.
_RARE: Final = frozenset({"wheel_rejected", "stopped_ms", "parked_ms", "charge_flips", "charge_back_mwh"})


def records(
    count: int,
    channels: tuple[str, ...],
    totals: tuple[str, ...],
    end_ms: int,
    boot: int = 1,
) -> list[dict[str, Any]]:
    """Return the records of a boot whose last one ends at `end_ms`; each brings an energy of its own, n + 1000 mWh."""
    step = 10_000
    made = []
    first_end = end_ms - (count - 1) * step
    for n in range(1, count + 1):
        up_ms = n * step
        mean, low, high = {}, {}, {}
        for place, name in enumerate(channels):
            decimals = len(str(round(1 / CHANNELS[name].step))) - 1
            # Values that wander as measured ones do: the last digits differ from record to record.
            middle = 10 + place + ((n * 7919 + place * 104_729) % 1999) / 1000
            mean[name] = round(middle, decimals)
            low[name] = round(middle - 0.1 - (n * 31 % 97) / 500, decimals)
            high[name] = round(middle + 0.1 + (n * 17 % 89) / 500, decimals)
        total = {
            name: up_ms
            if name.endswith("_ms")
            else 1000 * n + n * (n + 1) // 2
            if name == "charge_mwh"
            else 0
            if name in _RARE
            else n * (1733 + 7 * place)
            for place, name in enumerate(totals)
        }
        seq = boot * SEQ_PER_BOOT + n
        made.append(
            {
                "seq": seq, "first": seq, "up_ms": up_ms, "dur_ms": step, "span_ms": step,
                "end_ms": first_end + (n - 1) * step, "clock": "host", "state": "turning",
                "mean": mean, "min": low, "max": high, "total": total,
            }
        )  # fmt: skip
    return made


@dataclass(slots=True)
class Message:
    """One message of records, ready to be sent."""

    first: int
    last: int
    body: bytes


def messages(journal: str, made: list[dict[str, Any]], most: int = 64) -> list[Message]:
    """Return the messages that bring the records, all of the same channels, each as full as a node makes it."""
    found: list[Message] = []
    after = 0
    waiting: list[tuple[int, bytes]] = []
    named = f',"channels":{_compact([*made[0]["mean"]])},"totals":{_compact([*made[0]["total"]])},"records":['

    def close() -> None:
        nonlocal after
        head = f'{{"journal":"{journal}","after":{after}{named}'.encode()
        found.append(
            Message(waiting[0][0], waiting[-1][0], head + b",".join(text for _, text in waiting) + b"]}")
        )
        after = waiting[-1][0]
        waiting.clear()

    empty = size = len(named) + 60
    for record in made:
        line = {key: [*value.values()] if isinstance(value, dict) else value for key, value in record.items()}
        text = _compact(line).encode()
        if waiting and (size + len(text) + 1 > MESSAGE_BYTES or len(waiting) >= most):
            close()
            size = empty
        waiting.append((record["seq"], text))
        size += len(text) + 1
    if waiting:
        close()
    return found


def _compact(told: object) -> str:
    return json.dumps(told, separators=(",", ":"))


def birth(journal: str, chip: str, first: int, last: int, totals: tuple[str, ...]) -> bytes:
    """Return a birth message."""
    told = {
        "journal": journal, "boot": last // SEQ_PER_BOOT, "chip": chip, "oldest": first, "newest": last, "firmware": "1",
        "interpreter": "1", "board": "bench", "reset": "power", "record_s": 10, "channels": {}, "totals": list(totals),
        "capacity": 100_000, "held": last - first + 1,
    }  # fmt: skip
    return json.dumps(told).encode()
