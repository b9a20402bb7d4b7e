"""Thirty days without a host on the file system of a Pico W; prints a table and writes build/flash.json.

The node's journal runs on MicroPython and the real littlefs, on a flash in memory of the size of a Pico W's. One
boot a day by a power cut, one damaged byte, one power cut while a folded segment is written. What the node then
sends is booked by the host's own code and compared with what the node counted, to the milliwatt hour.

    .venv/bin/python tests/bench/bench_flash.py [DAYS]
"""

from __future__ import annotations

import importlib
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

_REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [
    str(_REPO / "tests" / "firmware"),
    str(_REPO / "firmware"),
    str(_REPO / "firmware" / "sim" / "cpython"),
]

importlib.import_module("shims").install()

import flash_month  # noqa: E402 - after the names that MicroPython adds
from flash_bench import FOUR, TWELVE, Plant, flash_pack, flash_segment  # noqa: E402 - the same
from interpreters import ON_BOARD, command  # noqa: E402 - the same

if TYPE_CHECKING:
    from collections.abc import Iterable

DAYS = 30.0
_SPANS_MS = (10_000, 60_000, 300_000, 900_000)


def record_bytes(channels: tuple[str, ...]) -> float:
    """Return how many bytes of flash a record takes, head and key records included, at the grain where most."""
    most = 0.0
    for span_ms in _SPANS_MS:
        plant = Plant(channels, span_ms=span_ms)
        for _ in range(3000):  # a boot that has run for a while: totals are large
            plant.record()
        shape = flash_pack.shape_of(plant.layout.channel_mask, plant.layout.total_mask)
        segment = flash_segment.Segment()
        segment.start(b"8 bytes.", 1, 0, 0)
        while segment.add(plant.record(), shape):
            pass
        most = max(most, segment.used / segment.count)
    return most


def heap_bytes() -> dict[str, Any]:
    """Return what the journal takes of the memory on MicroPython: a 64-bit build, so objects weigh double."""
    import subprocess  # noqa: PLC0415 - only here

    arguments, environment = command(
        "micropython", ON_BOARD / "flash_heap.py", str(flash_month.PICO_KIB), heap="64m"
    )
    done = subprocess.run(arguments, env=environment, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def show(rows: Iterable[tuple[str, float, str]]) -> None:
    """Print a table and write it down."""
    written = {}
    for key, value, unit in rows:
        say(f"{key:<34}{value:>14,.1f} {unit}")
        written[key] = {"value": round(value, 3), "unit": unit}
    build = _REPO / "build"
    build.mkdir(exist_ok=True)
    (build / "flash.json").write_text(json.dumps(written, indent=1) + "\n")


def main() -> None:
    """Run, print and write."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else DAYS
    begun = time.monotonic()

    def told(progress: str) -> None:
        say(f"{days:g} days without a host: {progress}, {time.monotonic() - begun:.0f} s", end="\r")

    month = flash_month.live(days, flash_month.PICO_KIB, flash_month.PICO_BLOCKS, 4, told)
    say(f"{days:g} days without a host: done in {time.monotonic() - begun:.0f} s")
    if not month.report["complete"]:
        raise SystemExit(
            "the run was too short for its damaged byte and its power cut in a fold: give it more days"
        )
    heap = heap_bytes()
    longest = max(month.longest_ms)
    quarter_share = sum(ms * count for ms, count in month.longest_ms.items() if ms == longest) / sum(
        ms * count for ms, count in month.longest_ms.items()
    )
    show([
        ("node_offline_30d_error_mwh", float(month.error_mwh), "mWh"),
        ("node_offline_30d_energy_mwh", float(month.truth["charge_mwh"]), "mWh"),
        ("node_offline_30d_totals_wrong", float(sum(1 for k in month.truth if month.truth[k] != month.booked[k])), "of 14"),
        ("node_offline_30d_records", float(month.report["held"]), "records"),
        ("node_offline_30d_lost", float(month.report["lost"]), "records"),
        ("node_offline_30d_longest", longest / 60_000, "min"),
        ("node_offline_30d_at_longest", 100 * quarter_share, "% of the time"),
        ("node_offline_30d_boots", float(month.report["boots"]), "boots"),
        ("node_offline_30d_gap_numbers", float(month.gaps), "record numbers"),
        ("flash_hottest_block_erases", float(month.report["hottest"]), "erases"),
        ("flash_erases", float(month.report["erases"]), "erases"),
        ("flash_least_free_blocks", float(month.report["least_free"]), "blocks"),
        ("record_bytes_4ch", record_bytes(FOUR), "bytes"),
        ("record_bytes_12ch", record_bytes(TWELVE), "bytes"),
        ("flash_heap_bytes", float(heap["after"]), "bytes"),
        ("flash_code_heap_bytes", float(heap["code"]), "bytes"),
        ("flash_boot_scan_ms", float(heap["scan_ms"]), f"ms here, {heap['segments']} segments"),
    ])  # fmt: skip


if __name__ == "__main__":
    main()
