"""Measures the node: size, memory over a day, evenness of sampling, accuracy, a month without a host.

    .venv/bin/python tests/bench/bench_node.py [--only heap,size] [--hours 24] [--days 30]

Prints a table and writes build/bench-node.json; with --only, what was measured before stays in the file. Everything
runs on MicroPython for Linux, a 64-bit build: a word and so most of the heap's objects weigh twice what they do on a
board, and its time is this machine's.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from pathlib import Path

_REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [
    str(_REPO / "tests" / "firmware"),
    str(_REPO / "firmware"),
    str(_REPO / "firmware" / "sim" / "cpython"),
]

importlib.import_module("shims").install()

import node_bench  # noqa: E402 - after the names that MicroPython adds

_OUT = _REPO / "build" / "bench-node.json"


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def main() -> None:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default=",".join(node_bench.PARTS), help="parts, separated by commas")
    parser.add_argument(
        "--hours", type=float, default=24.0, help="of the run in a small heap, once the flash is full (24)"
    )
    parser.add_argument("--days", type=float, default=30.0, help="without a host (30)")
    told = parser.parse_args()
    parts = told.only.split(",")
    if not set(parts) <= set(node_bench.PARTS):
        parser.error(f"--only: some of {','.join(node_bench.PARTS)}")
    more = {"heap": {"hours": told.hours}, "offline": {"days": told.days}}
    version = node_bench.interpreter()
    say(f"interpreter: MicroPython {version}")
    written = json.loads(_OUT.read_text()) if _OUT.is_file() else {}
    for part in parts:
        rows = node_bench.PARTS[part](
            lambda text, part=part: say(f"\033[2K{part}: {text}", end="\r"), **more.get(part, {})
        )
        say("\033[2K", end="\r")
        for key, value, unit in rows:
            say(f"{key:<34}{value:>14,.3f} {unit}")
            written[key] = {"value": round(value, 4), "unit": unit}
        written["interpreter"] = {"value": version, "unit": "MicroPython"}
        _OUT.parent.mkdir(exist_ok=True)
        _OUT.write_text(json.dumps(written, indent=1) + "\n")


if __name__ == "__main__":
    main()
