"""Lets the shipped node and the shipped host live through days of random faults, and compares the books with the plant.

    .venv/bin/python tests/bench/soak_node.py [--hours 24] [--seed 7] [--faults power,full]

Time is virtual: a simulated day takes minutes. The broker is killed and forgets, the Wi-Fi goes, power is cut, also
in the middle of an operation on the flash, others fill the flash, the I2C bus hangs, the host is killed. The node is
the firmware as it ships, on MicroPython and the real littlefs; what it sends is booked by the host's own code. Every
booked record is compared with the plant's own integral, in whole numbers. The same seed is the same history: one that
fails is kept in build/soak and is lived again with its --seed and --hours.
"""

from __future__ import annotations

import argparse
import importlib
import json
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

_REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [
    str(_REPO / "tests" / "firmware"),
    str(_REPO / "firmware"),
    str(_REPO / "firmware" / "sim" / "cpython"),
]

importlib.import_module("shims").install()

from soak import FAULTS, Soak  # noqa: E402 - after the names that MicroPython adds

if TYPE_CHECKING:
    from soak_truth import Verdict


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def live(seed: int, hours: float, faults: tuple[str, ...]) -> bool:
    """Live through the history of a seed; return whether the books are true."""
    begun = time.monotonic()

    def told(share: float) -> None:
        say(f"seed {seed}: {100 * share:3.0f} %, {time.monotonic() - begun:.0f} s", end="\r")

    with tempfile.TemporaryDirectory(prefix="wheelpit-soak-") as folder:
        soak = Soak(Path(folder), seed, hours, faults=faults)
        try:
            verdict = soak.live(told)
        except BaseException:
            keep(soak, [])
            raise
        finally:
            soak.close()
    show(soak, verdict, time.monotonic() - begun)
    if verdict.wrong:
        keep(soak, verdict.wrong)
    return not verdict.wrong


def show(soak: Soak, verdict: Verdict, took_s: float) -> None:
    """Print what happened and what was booked."""
    hours = (soak.now_ms - soak.boots[0]) / 3_600_000
    say(f"seed {soak.seed}: {hours:.1f} hours in {took_s:.0f} s of this machine")
    for what, count in sorted(Counter(what for _, what in soak.history).items()):
        say(f"  {count:>5} x {what}")
    rows: tuple[tuple[str, float, str], ...] = (
        ("records booked and compared", verdict.rows, ""),
        ("starts of the node", verdict.boots, ""),
        ("energy booked", verdict.booked_mwh, "mWh"),
        ("without power", verdict.off_ms / 1000, "s"),
        ("in no record, as the books declare", verdict.dark_ms / 1000, "s"),
        ("bus stuck", verdict.stuck_ms / 1000, "s"),
        ("not measured, as the books declare", verdict.unmeasured_ms / 1000, "s"),
        ("in records without a date", verdict.undated_ms / 1000, "s"),
        ("restarts by the node itself", soak.restarts, ""),
    )
    for name, value, unit in rows:
        say(f"  {name:<36}{value:>14,.0f} {unit}")
    if verdict.wrong:
        say(f"  THE BOOKS ARE WRONG in {len(verdict.wrong)} places; the first:")
        for sentence in verdict.wrong[:10]:
            say(f"    {sentence}")
    else:
        say("  books and plant are equal, record by record")


def keep(soak: Soak, wrong: list[str]) -> None:
    """Keep a failing history."""
    folder = _REPO / "build" / "soak"
    folder.mkdir(parents=True, exist_ok=True)
    told = json.loads(soak.story()) | {"wrong": wrong, "console": soak.console()[-20_000:]}
    path = folder / f"seed-{soak.seed}.json"
    path.write_text(json.dumps(told, indent=1) + "\n")
    say(f"\nthe history is kept in {path.relative_to(_REPO)}")


def main() -> None:
    """Run and judge."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=24.0, help="simulated hours (24)")
    parser.add_argument("--seed", type=int, help="seed of the history; without it a new one")
    parser.add_argument("--runs", type=int, default=1, help="histories, of seeds one after the other (1)")
    parser.add_argument("--faults", default=",".join(FAULTS), help=f"some of {','.join(FAULTS)}")
    told = parser.parse_args()
    seed = random.SystemRandom().randrange(1, 1_000_000) if told.seed is None else told.seed
    faults = tuple(told.faults.split(","))
    if not set(faults) <= set(FAULTS):
        parser.error(f"--faults: some of {','.join(FAULTS)}")
    say(f"seed {seed}, {told.hours:g} hours, faults: {', '.join(faults)}")
    sound = [live(seed + number, told.hours, faults) for number in range(told.runs)]
    sys.exit(0 if all(sound) else 1)


if __name__ == "__main__":
    main()
