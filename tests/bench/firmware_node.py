"""The shipped firmware, killed while it measures a simulated plant, with the journal that it keeps in files.

Files survive the death of a process as flash does a power cut; what the system had not yet written to the disk is not
lost by it, so this tests the order of what the firmware does, not the disk. It runs on MicroPython where there is one.
"""

from __future__ import annotations

import json
import random
import sys
import time
from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any, Final

from tests.bench.grounds import SITE, Grounds, end, say, wait
from tests.bench.wire import Wire

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.demo.interpreter import interpreter
from wheelpit.places import running
from wheelpit.plant import demo_plant_path, load_plant, node_settings
from wheelpit.store.packing import unpack_record
from wheelpit.store.tables import Layouts

if TYPE_CHECKING:
    from pathlib import Path

_NODE: Final = "wheel"
_RECORD_S: Final = 5  # the shortest that the firmware allows
_TOTAL: Final = "charge_mwh"


def killed(folder: Path, kills: int) -> dict[str, Any]:
    """Kill the node `kills` times; return what is lost, double and wrong of what it ever sent.

    Every record that was seen on its way must be booked once, the sum of what is booked of a boot must be the total
    that the record bears, and a boot has no hole but one that is declared.
    """
    rng = random.Random(3)  # noqa: S311 - when to strike, no secret
    heard: dict[str, dict[int, dict[str, int]]] = defaultdict(dict)
    with Grounds(folder) as grounds:
        grounds.start_broker()
        grounds.start_service()
        grounds.start([sys.executable, "-m", "wheelpit", "twin", "--state", str(grounds.state)], "twin.log")
        twin = wait(lambda: running(grounds.state, "twin"), "the twin")
        home = folder / "node"
        home.mkdir()
        told = node_settings(load_plant(demo_plant_path()), _NODE, "127.0.0.1", grounds.port)
        told |= {"record_s": _RECORD_S, "rewind_s": 2}
        (home / "settings.json").write_text(json.dumps(told))
        how = interpreter()
        environment = {
            **how.environment,
            "WHEELPIT_TWIN_PORT": str(twin["port"]),
            "WHEELPIT_NODE_DIR": str(home),
        }
        listener = Wire(grounds.port, "listener", [f"wheelpit/1/{SITE}/{_NODE}/record"])
        listener.sock.settimeout(0.2)

        for number in range(kills + 1):
            before = _newest(heard) // SEQ_PER_BOOT
            node = grounds.start(how.command, "node.log", **environment)
            until = time.monotonic() + 60
            while _newest(heard) // SEQ_PER_BOOT <= before and time.monotonic() < until:
                _listen(listener, heard, 0.3)
            say(f"  kill -9 of the node: {number} of {kills}", end="\r")
            if number < kills:
                _listen(listener, heard, rng.uniform(0.0, 1.5))
                node.kill()
                node.wait()
        _listen(listener, heard, 2 * _RECORD_S)
        end(node)
        _listen(listener, heard, 1)
        time.sleep(1)
        grounds.end_service()
        listener.close()
        found = _checked(grounds, heard)
    found["counts"] += Counter({"node_kills": kills, "on_micropython": int("micropython" in how.command[0])})
    return found


def _listen(listener: Wire, heard: dict[str, dict[int, dict[str, int]]], seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            for topic, body in listener.read():
                if topic:
                    told: dict[str, Any] = json.loads(body)
                    heard[told["journal"]] |= {each["seq"]: each["total"] for each in told["records"]}
        except TimeoutError:
            continue


def _newest(heard: dict[str, dict[int, dict[str, int]]]) -> int:
    return max((seq for found in heard.values() for seq in found), default=0)


def _checked(grounds: Grounds, heard: dict[str, dict[int, dict[str, int]]]) -> dict[str, Any]:
    """Compare what is booked, dated or not, with what the node was ever heard to send."""
    with grounds.reader.open() as db:
        layouts = Layouts(db)
        rows = [
            (int(seq), layouts.layout(layout_id), body, end_ms is None)
            for seq, layout_id, body, end_ms in db.execute(
                "SELECT seq, layout_id, body, end_ms FROM record ORDER BY seq"
            )
        ]
    sent = {seq: total for found in heard.values() for seq, total in found.items()}
    booked = Counter(seq for seq, _, _, _ in rows)
    sums: Counter[int] = Counter()  # by boot
    wrong = int(len(heard) != 1)
    for seq, layout, body, _ in rows:
        boot = seq // SEQ_PER_BOOT
        sums[boot] += unpack_record(layout, seq, body).totals[layout.totals.index(_TOTAL)]
        wrong += seq in sent and sums[boot] != sent[seq][_TOTAL]
    for seq in sorted(sent.keys() - booked.keys()):
        heads = {each.journal: each.head_seq for each in grounds.reader.nodes(SITE)}
        say(
            f"  record {seq} ({seq // SEQ_PER_BOOT}:{seq % SEQ_PER_BOOT}) was sent and is not booked; heads {heads}"
        )
    return {
        "lost": len(sent.keys() - booked.keys()),
        "double": sum(count - 1 for count in booked.values()),
        "wrong": wrong,
        "records": len(sent),
        "counts": Counter(
            {
                "boots": len(sums),
                "gaps_declared": len(grounds.reader.gaps(SITE)),
                "booked_without_a_date": sum(undated for _, _, _, undated in rows),
            }
        ),
    }
