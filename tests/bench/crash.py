"""Kills and starves the service, the broker and the node during a drain: nothing lost, nothing double.

Real mosquitto without persistence, the shipped service, and for the node's kills the shipped firmware. What is booked
is compared record by record: each one brings an energy of its own. Prints a table and writes build/crash.json.

    .venv/bin/python tests/bench/crash.py [--only serve,broker,node,disk,pause,cut,order] [--short]
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import secrets
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.firmware_node import killed
from tests.bench.grounds import SITE, Grounds, end, now_ms, say
from tests.bench.struck import POINTS
from tests.bench.wire import FOUR, MINIMUM_TOTALS, FastNode, Fleet, birth, messages, records

from wheelpit.contract.names import SEQ_PER_BOOT

if TYPE_CHECKING:
    from collections.abc import Callable

_REPO: Final = Path(__file__).resolve().parents[2]
_STRUCK: Final = str(Path(__file__).with_name("struck.py"))
_AT_ONCE: Final = 4  # records in a message: many commits
_WAL_HEAD, _FRAME = 32, 24 + 4096
_REFUSED: Final = "the ledger took nothing"
_PATIENCE_S: Final = 900.0


@dataclass(frozen=True)
class Extent:
    """How much is done."""

    serve_kills: int = 100
    broker_kills: int = 20
    node_kills: int = 20
    pause_s: float = 120.0
    starved_s: float = 5.0


SHORT: Final = Extent(serve_kills=6, broker_kills=1, node_kills=1, pause_s=1.0, starved_s=1.0)


@dataclass
class Found:
    """What came out. `lost` and `double` are records; `ahead` counts receipts that the ledger later did not bear out."""

    lost: int = 0
    double: int = 0
    wrong: int = 0
    ahead: int = 0
    records: int = 0
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, other: Found) -> None:
        """Add another part's."""
        self.lost += other.lost
        self.double += other.double
        self.wrong += other.wrong
        self.ahead += other.ahead
        self.records += other.records
        self.counts += other.counts


class Drain:
    """One node's backlog and the site that takes it; `tend` is called again and again meanwhile."""

    def __init__(self, grounds: Grounds, count: int, window: int = 4) -> None:
        self.grounds = grounds
        self.made = records(count, FOUR, MINIMUM_TOTALS, now_ms() - 60_000)
        journal, chip = secrets.token_hex(8), secrets.token_hex(8)
        first, last = self.made[0]["seq"], self.made[-1]["seq"]
        born = birth(journal, chip, first, last, MINIMUM_TOTALS)
        queue = messages(journal, self.made, _AT_ONCE)
        self.node = FastNode(SITE, "wheel", journal, chip, grounds.port, queue, born, window=window)
        self.fleet = Fleet([self.node])

    def run(self, tend: Callable[[], bool], what: str) -> None:
        """Run until every record has its receipt and `tend` says that it is done too."""
        begun = said = time.monotonic()

        def over() -> bool:
            nonlocal said
            done = tend()
            now_s = time.monotonic()
            if now_s - said > 2:
                said = now_s
                share = max(0, self.node.upto - SEQ_PER_BOOT) / len(self.made)
                say(
                    f"  {what}: {100 * share:.0f} % of {len(self.made)} records, {now_s - begun:.0f} s ",
                    end="\r",
                )
            if now_s - begun > _PATIENCE_S:
                msg = f"{what}: not done after {_PATIENCE_S:.0f} s\n{self.grounds.told()[-2000:]}"
                raise TimeoutError(msg)
            return done and self.fleet.done()

        try:
            self.fleet.run(over)
        finally:
            self.fleet.close()
        say(" " * 70, end="\r")

    def passed(self, seq_n: int) -> bool:
        """Return whether a record of the boot has its receipt."""
        return self.node.upto >= SEQ_PER_BOOT + seq_n

    def checked(self, ahead: int = 0) -> Found:
        """Compare what is booked with what was measured, record by record."""
        wanted = {record["seq"]: 1000 + n for n, record in enumerate(self.made, 1)}
        rows = self.grounds.reader.records(SITE, 0, 1 << 50)
        booked = Counter(row.seq for row in rows)
        found = Found(records=len(wanted), ahead=self.node.backwards - ahead)
        found.lost = len(wanted.keys() - booked.keys())
        found.double = sum(count - 1 for count in booked.values())
        found.wrong = sum(row.totals["charge_mwh"] != wanted.get(row.seq) for row in rows)
        found.wrong += len(self.grounds.reader.gaps(SITE)) + len(self.grounds.reader.dead_letters())
        last = self.made[-1]["total"]["charge_mwh"]
        found.wrong += sum(row.totals["charge_mwh"] for row in rows) != last
        found.wrong += sum(day.totals["charge_mwh"] for day in self.grounds.reader.days(SITE)) != last
        return found


def serve_killed(folder: Path, extent: Extent) -> Found:
    """Kill the service at every named point in turn, and at moments that nothing names."""
    rng = random.Random(1)  # noqa: S311 - when to strike, no secret
    mark = folder / "struck"
    plan = [(*POINTS, "random")[n % (len(POINTS) + 1)] for n in range(extent.serve_kills)]
    counts: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        drain = Drain(grounds, 100 + 120 * extent.serve_kills)
        struck_at = 0.0
        began_upto = 0

        def start() -> None:
            nonlocal struck_at, began_upto
            struck_at, began_upto = 0.0, drain.node.upto
            point = plan[sum(counts.values())] if sum(counts.values()) < len(plan) else ""
            strike = {"WHEELPIT_STRIKE": f"{point}:{rng.randrange(3, 12)}", "WHEELPIT_STRUCK": str(mark)}
            if point == "in checkpoint":
                strike["WHEELPIT_STRIKE"] = f"{point}:{rng.randrange(1, 3)}"
            grounds.start_service(sys.executable, _STRUCK, **(strike if point in POINTS else {}))

        def tend() -> bool:
            nonlocal struck_at
            service = grounds.service
            assert service is not None
            done = sum(counts.values())
            if service.poll() is not None:
                reached = mark.read_text().splitlines() if mark.is_file() else []
                mark.unlink(missing_ok=True)
                assert len(reached) <= 1
                if not reached and service.returncode != -signal.SIGKILL:
                    msg = f"the service ended by itself: {grounds.told()[-2000:]}"
                    raise RuntimeError(msg)
                counts[reached[0] if reached else "random"] += 1
                start()
            elif done < len(plan) and plan[done] == "random" and drain.node.upto > began_upto:
                struck_at = struck_at or time.monotonic() + rng.uniform(0.0, 0.4)
                if time.monotonic() > struck_at:
                    service.kill()
            return done >= len(plan)

        start()
        drain.run(tend, "kill -9 of the service")
        grounds.end_service()
        found = drain.checked()
    found.counts = Counter({f"killed {point}": count for point, count in counts.items()})
    found.counts["serve_kills"] = sum(counts.values())
    return found


def broker_killed(folder: Path, extent: Extent) -> Found:
    """Kill the broker, which keeps nothing."""
    rng = random.Random(2)  # noqa: S311 - as above
    kills = 0
    with Grounds(folder) as grounds:
        broker = grounds.start_broker()
        grounds.start_service()
        drain = Drain(grounds, 100 + 150 * extent.broker_kills)
        goal = rng.randrange(20, 120)

        def tend() -> bool:
            nonlocal kills, broker, goal
            if kills < extent.broker_kills and drain.passed(goal):
                broker.kill()
                broker.wait()
                kills += 1
                goal += rng.randrange(60, 140)
                broker = grounds.start_broker()
            return True

        drain.run(tend, "kill -9 of the broker")
        grounds.end_service()
        found = drain.checked()
    found.counts["broker_kills"] = kills
    return found


def disk_refuses(folder: Path, extent: Extent) -> Found:
    """Let the system refuse what the service writes: beyond a size, as on a full disk; then nearly every byte.

    The limit on the size of files (RLIMIT_FSIZE) needs no rights and no disk of its own.
    """
    counts: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1600)
        wal = grounds.state / "ledger.db-wal"
        log = grounds.folder / "serve.log"  # it must still be able to say what is wrong
        limits: list[tuple[str, int, Callable[[], int]]] = [
            ("disk_full", 200, lambda: wal.stat().st_size + 20_000),
            ("disk_refuses_all", 800, lambda: log.stat().st_size + 4096),
        ]
        until = 0.0
        refused = 0

        def tend() -> bool:
            nonlocal until, refused
            now_s = time.monotonic()
            if until and now_s > until and grounds.told().count(_REFUSED) > refused:
                resource.prlimit(
                    service.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
                )
                until = 0.0
                refused = grounds.told().count(_REFUSED)
                limits.pop(0)
            elif limits and not until and drain.passed(limits[0][1]):
                resource.prlimit(service.pid, resource.RLIMIT_FSIZE, (limits[0][2](), resource.RLIM_INFINITY))
                counts[limits[0][0]] += 1
                until = now_s + extent.starved_s
            return not limits

        drain.run(tend, "a disk that takes nothing")
        counts["commits_refused"] = grounds.told().count(_REFUSED)
        assert service.poll() is None, grounds.told()[-2000:]
        end(service)
        found = drain.checked()
    found.counts = counts
    return found


def paused(folder: Path, extent: Extent) -> Found:
    """Stop the service for two minutes, beyond its keep-alive, and let it go on."""
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1200)
        stopped = 0.0
        over = False

        def tend() -> bool:
            nonlocal stopped, over
            if not stopped and drain.passed(300):
                service.send_signal(signal.SIGSTOP)
                stopped = time.monotonic()
            elif stopped and not over and time.monotonic() - stopped > extent.pause_s:
                service.send_signal(signal.SIGCONT)
                over = True
            return over

        drain.run(tend, f"stopped for {extent.pause_s:.0f} s")
        assert service.poll() is None, grounds.told()[-2000:]
        end(service)
        found = drain.checked()
    found.counts["pauses"] = 1
    return found


def log_cut(folder: Path, _extent: Extent) -> Found:
    """Take the last commits away, as a disk does that said too early that it had written; the node refills them."""
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1200)
        cut = frames = 0

        def tend() -> bool:
            nonlocal cut, frames
            if not cut and drain.passed(600):
                service.kill()
                service.wait()
                wal = grounds.state / "ledger.db-wal"
                frames = (wal.stat().st_size - _WAL_HEAD) // _FRAME
                cut = max(1, frames // 3)
                os.truncate(wal, _WAL_HEAD + (frames - cut) * _FRAME)
                grounds.start_service()
            return bool(cut)

        drain.run(tend, "the end of the log cut off")
        grounds.end_service()
        assert drain.node.backwards == 1, "the ledger went back and its receipts with it"
        found = drain.checked(ahead=1)
    found.counts["frames_cut"] = cut
    return found


_CALL: Final = re.compile(r"^(?:\[pid +)?(\d+)\]? +(?:<\.\.\. )?(\w+)(?: resumed>|\()(.*)$")
_UPTO: Final = re.compile(r'/receipt.*?\\"upto\\":(\d+)')


def order_traced(folder: Path, _extent: Extent) -> Found:
    """Read the order of the system calls: no receipt that goes further without the log on the disk since the last one.

    The node sends one message at a time, so that between two receipts lies exactly one commit.
    """
    strace = shutil.which("strace")
    if strace is None:
        raise RuntimeError("strace is not installed: the order of system calls cannot be seen")
    trace = folder / "trace"
    with Grounds(folder) as grounds:
        grounds.start_broker()
        grounds.start_service(
            strace, "-f", "-y", "-s", "400", "-o", str(trace), "-e", "trace=fdatasync,fsync,sendto,write",
            sys.executable, "-m", "wheelpit",
        )  # fmt: skip
        drain = Drain(grounds, 240, window=1)
        drain.run(lambda: True, "the order of system calls")
        tracer = grounds.service
        assert tracer is not None
        child = int(trace.read_text(errors="replace").split(maxsplit=1)[0])
        os.kill(child, signal.SIGTERM)
        tracer.wait(60)
        found = drain.checked()
    synced = True
    upto = 0
    waiting: set[str] = set()
    for line in trace.read_text(encoding="utf-8", errors="replace").splitlines():
        call = _CALL.match(line)
        if call is None:
            continue
        thread, name, rest = call.groups()
        if name in {"fdatasync", "fsync"}:
            log = "ledger.db-wal" in rest or thread in waiting
            if log and "unfinished" in rest:
                waiting.add(thread)
            elif log and "= 0" in rest:
                waiting.discard(thread)
                synced = True
                found.counts["syncs_of_the_log"] += 1
        elif (said := _UPTO.search(rest)) is not None and int(said[1]) > upto:
            found.ahead += not synced
            synced, upto = False, int(said[1])
            found.counts["receipts_traced"] += 1
    return found


def node_killed(folder: Path, extent: Extent) -> Found:
    """Kill the real firmware, with the journal that it keeps in its files, while it measures a simulated plant."""
    return Found(**killed(folder, extent.node_kills))


_SUMS: Final = ("lost", "double", "wrong", "ahead", "records")
PARTS: Final[dict[str, Callable[[Path, Extent], Found]]] = {
    "serve": serve_killed,
    "broker": broker_killed,
    "node": node_killed,
    "disk": disk_refuses,
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
    told = {name: getattr(found, name) for name in _SUMS}
    told |= {
        key.replace(" ", "_"): count for key, count in found.counts.items() if not key.endswith("_kills")
    }
    kept |= {f"{part}_{key}": {"value": value, "unit": "count"} for key, value in told.items()}
    kept |= {
        key: {"value": count, "unit": "count"}
        for key, count in found.counts.items()
        if key.endswith("_kills")
    }
    for name in _SUMS:
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
    told = reading.parse_args()
    extent = SHORT if told.short else Extent()
    changed: dict[str, Any] = {}
    if told.pause is not None:
        changed["pause_s"] = told.pause
    if told.kills is not None:
        changed["serve_kills"] = told.kills
    found = crash(told.only.split(","), Extent(**(vars(extent) | changed)))
    say(f"lost {found.lost}, double {found.double}; written to build/crash.json")
    sys.exit(bool(found.lost or found.double or found.wrong or found.ahead))


if __name__ == "__main__":
    main()
