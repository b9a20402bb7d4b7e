"""Kills and starves the service, the broker and the node during a drain: nothing lost, nothing double.

Real mosquitto without persistence, the shipped service, and for the node's kills the shipped firmware. What is booked
is compared record by record: each one brings an energy of its own. Prints a table and writes build/crash.json.

    .venv/bin/python tests/bench/crash.py [--only serve,broker,node,disk,full,readonly,pause,cut,order] [--short]
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.crash_disk import disk_read_only, disk_refuses
from tests.bench.crash_drain import SHORT, Extent, Found
from tests.bench.crash_kills import broker_killed, node_killed, paused, serve_killed
from tests.bench.crash_log import log_cut, order_traced
from tests.bench.grounds import say
from tests.bench.small_disk import disk_full

if TYPE_CHECKING:
    from collections.abc import Callable

_REPO: Final = Path(__file__).resolve().parents[2]
SUMS: Final = ("lost", "double", "wrong", "ahead", "records")
PARTS: Final[dict[str, Callable[[Path, Extent], Found]]] = {
    "serve": serve_killed,
    "broker": broker_killed,
    "node": node_killed,
    "disk": disk_refuses,
    "full": disk_full,
    "readonly": disk_read_only,
    "pause": paused,
    "cut": log_cut,
    "order": order_traced,
}


def crash(names: list[str], extent: Extent) -> Found:
    """Run some parts and add up what they found."""
    whole = Found()
    for name in names:
        begun = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="crash-") as folder:
            found = PARTS[name](Path(folder), extent)
        say(
            f"{name:8} lost {found.lost}  double {found.double}  wrong {found.wrong}  receipts ahead {found.ahead}  of "
            f"{found.records} records, {time.monotonic() - begun:.0f} s"
        )
        for key, count in sorted(found.counts.items()):
            say(f"           {key:28} {count}")
        whole.add(found)
        _keep(name, found)
    return whole


def _keep(part: str, found: Found) -> None:
    """Write what a part found into build/crash.json; the sums are of all parts there."""
    out = _REPO / "build" / "crash.json"
    out.parent.mkdir(exist_ok=True)
    kept: dict[str, Any] = json.loads(out.read_text()) if out.is_file() else {}
    told = {name: getattr(found, name) for name in SUMS}
    told |= {
        key.replace(" ", "_"): count for key, count in found.counts.items() if not key.endswith("_kills")
    }
    kept |= {f"{part}_{key}": {"value": value, "unit": "count"} for key, value in told.items()}
    kept |= {
        key: {"value": count, "unit": "count"}
        for key, count in found.counts.items()
        if key.endswith("_kills")
    }
    for name in SUMS:
        values = [kept[f"{each}_{name}"]["value"] for each in PARTS if f"{each}_{name}" in kept]
        kept[name] = {"value": sum(values), "unit": "count"}
    out.write_text(json.dumps(kept, indent=1, sort_keys=True) + "\n")


def main() -> None:
    """Run what is asked for; the exit code says whether anything was lost, double, wrong or said too early."""
    reading = argparse.ArgumentParser(description=__doc__)
    reading.add_argument("--only", default=",".join(PARTS), help="some of: " + ", ".join(PARTS))
    reading.add_argument("--short", action="store_true", help="a few of each")
    reading.add_argument("--pause", type=float, help="how long the service is stopped [s]")
    reading.add_argument("--kills", type=int, help="how often the service is killed")
    reading.add_argument("--seed", type=int, default=0, help="another one strikes the node at other moments")
    told = reading.parse_args()
    extent = SHORT if told.short else Extent()
    changed: dict[str, Any] = {"seed": told.seed}
    if told.pause is not None:
        changed["pause_s"] = told.pause
    if told.kills is not None:
        changed["serve_kills"] = told.kills
    found = crash(told.only.split(","), Extent(**(vars(extent) | changed)))
    say(f"lost {found.lost}, double {found.double}; written to build/crash.json")
    sys.exit(bool(found.lost or found.double or found.wrong or found.ahead))


if __name__ == "__main__":
    main()
