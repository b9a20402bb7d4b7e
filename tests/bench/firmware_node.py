"""The shipped firmware, killed while it measures a simulated plant, with the journal that it keeps in files.

Files survive the death of a process as flash does a power cut; what the system had not yet written to the disk is not
lost by it, so this tests the order of what the firmware does, not the disk. It runs on MicroPython where there is one.

A record that waits in memory for its first minute and dies there was never promised to anybody. One that was heard on
its way is another matter: the broker gave it to the service as well, so it has to be in the ledger, whatever became
of the node. Only the time that the service takes for it is not bounded, on a busy machine least of all: so the ledger
is looked at when it has come as far as what was heard, or has not moved for long.
"""

from __future__ import annotations

import json
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
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
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

_NODE: Final = "wheel"
_RECORD_S: Final = 5  # the shortest that the firmware allows
_TOTAL: Final = "charge_mwh"
_CATCH_UP_S: Final = 60.0  # without any progress
# When to strike: in the start, soon after a record, or anywhere up to the next one.
_MOMENTS: Final = (("in the start", 2.0), ("after a record", 1.5), ("between records", float(_RECORD_S)))


@dataclass
class Heard:
    """What the node was heard to send: by journal and seq, the totals. `reused`: numbers that came with other totals."""

    totals: dict[str, dict[int, dict[str, int]]] = field(default_factory=dict)
    reused: set[int] = field(default_factory=set)

    def take(self, body: bytes) -> None:
        """Take a record message."""
        told: dict[str, Any] = json.loads(body)
        known = self.totals.setdefault(told["journal"], {})
        for each in told["records"]:
            totals = dict(zip(told["totals"], each["total"], strict=True))
            if known.setdefault(each["seq"], totals) != totals:
                self.reused.add(each["seq"])

    @property
    def newest(self) -> int:
        """The highest seq, 0 for none."""
        return max((seq for found in self.totals.values() for seq in found), default=0)

    def listen(self, wire: Wire, seconds: float) -> None:
        """Listen for some time."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            try:
                for topic, body in wire.read():
                    if topic:
                        self.take(body)
            except TimeoutError:
                continue


def killed(folder: Path, kills: int, seed: int = 0) -> dict[str, Any]:
    """Kill the node `kills` times; return what is lost, double and wrong of what it ever sent.

    Every record that was seen on its way must be booked once, the sum of what is booked of a boot must be the total
    that the record bears, and no number may come a second time with other totals.
    """
    rng = random.Random(3 + seed)  # noqa: S311 - when to strike, no secret
    heard = Heard()
    struck: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        grounds.start_service()
        grounds.start([sys.executable, "-m", "wheelpit", "twin", "--state", str(grounds.state)], "twin.log")
        twin = wait(lambda: running(grounds.state, "twin"), "the twin")
        start, on_micropython = _starter(grounds, int(twin["port"]))
        listener = Wire(grounds.port, "listener", [f"wheelpit/1/{SITE}/{_NODE}/record"])
        listener.sock.settimeout(0.2)
        for number in range(kills):
            moment, within_s = _MOMENTS[number % len(_MOMENTS)]
            say(f"  kill -9 of the node: {number} of {kills}", end="\r")
            node = start()
            if moment != "in the start":
                _until_a_new_boot_speaks(heard, listener)
            heard.listen(listener, rng.uniform(0.0, within_s))
            node.kill()
            node.wait()
            struck[f"struck {moment}"] += 1
        node = start()
        _until_a_new_boot_speaks(heard, listener)
        heard.listen(listener, 2 * _RECORD_S)
        end(node)
        heard.listen(listener, 1)
        _catch_up(grounds, heard)
        grounds.end_service()
        listener.close()
        found = _checked(grounds, heard)
    found["counts"] += struck + Counter({"node_kills": kills, "on_micropython": on_micropython})
    return found


def _starter(grounds: Grounds, twin_port: int) -> tuple[Callable[[], subprocess.Popen[bytes]], int]:
    """Return what starts the node, and whether (1 or 0) it runs on MicroPython."""
    home = grounds.folder / "node"
    home.mkdir()
    told = node_settings(load_plant(demo_plant_path()), _NODE, "127.0.0.1", grounds.port)
    told |= {"record_s": _RECORD_S, "rewind_s": 2}
    (home / "settings.json").write_text(json.dumps(told))
    how = interpreter()
    environment = {**how.environment, "WHEELPIT_TWIN_PORT": str(twin_port), "WHEELPIT_NODE_DIR": str(home)}
    return lambda: grounds.start(how.command, "node.log", **environment), int("micropython" in how.command[0])


def _until_a_new_boot_speaks(heard: Heard, listener: Wire) -> None:
    before = heard.newest // SEQ_PER_BOOT
    until = time.monotonic() + 60
    while heard.newest // SEQ_PER_BOOT <= before and time.monotonic() < until:
        heard.listen(listener, 0.3)


def _catch_up(grounds: Grounds, heard: Heard) -> None:
    """Let the service book what it was given; a ledger that stands still is left to the comparison."""
    reached, since = -1, time.monotonic()
    while time.monotonic() - since < _CATCH_UP_S:
        head = max((each.head_seq for each in grounds.reader.nodes(SITE)), default=0)
        if head >= heard.newest:
            return
        if head > reached:
            reached, since = head, time.monotonic()
        time.sleep(0.1)


def _checked(grounds: Grounds, heard: Heard) -> dict[str, Any]:
    """Compare what is booked, dated or not, with what the node was ever heard to send."""
    with grounds.reader.open() as db:
        layouts = Layouts(db)
        rows = [
            (int(seq), layouts.layout(layout_id), body, end_ms is None)
            for seq, layout_id, body, end_ms in db.execute(
                "SELECT seq, layout_id, body, end_ms FROM record ORDER BY seq"
            )
        ]
    sent = {seq: total for found in heard.totals.values() for seq, total in found.items()}
    booked = Counter(seq for seq, _, _, _ in rows)
    sums: Counter[int] = Counter()  # by boot
    wrong = int(len(heard.totals) != 1) + len(heard.reused)
    for seq, layout, body, _ in rows:
        boot = seq // SEQ_PER_BOOT
        sums[boot] += unpack_record(layout, seq, body).totals[layout.totals.index(_TOTAL)]
        wrong += seq in sent and sums[boot] != sent[seq][_TOTAL]
    for seq in sorted(sent.keys() - booked.keys()):
        _tell_lost(grounds, seq, rows)
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


def _tell_lost(grounds: Grounds, seq: int, rows: list[tuple[int, Any, bytes, bool]]) -> None:
    """Say of a record that is not booked all that is needed to find out why."""
    heads = {each.journal: each.head_seq for each in grounds.reader.nodes(SITE)}
    around = [f"{each // SEQ_PER_BOOT}:{each % SEQ_PER_BOOT}" for each, _, _, _ in rows]
    say(
        f"  record {seq // SEQ_PER_BOOT}:{seq % SEQ_PER_BOOT} was sent and is not booked; heads {heads}; booked "
        f"{' '.join(around)}; gaps {grounds.reader.gaps(SITE)}; dead letters {grounds.reader.dead_letters()}\n"
        f"{grounds.told()[-3000:]}"
    )
