"""How fast and how lean the host is: real mosquitto, the service in a process of its own, window and receipts as shipped.

Side by side in one run: paho with an empty callback, json.loads, and a bare executemany of the same rows. One after the
other they are the serial bound, against which the whole is measured. Prints a table and writes build/bench-host.json.

    .venv/bin/python tests/bench/bench_host.py [--only bare,ingest,drain,bytes,memory,latency,export] [--records 60480]
"""

from __future__ import annotations

import argparse
import json
import secrets
import sqlite3
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from tests.bench.backlog import (
    FOUR,
    FULL_TOTALS,
    MINIMUM_TOTALS,
    TWELVE,
    birth,
    messages,
    records,
)
from tests.bench.grounds import SITE, Grounds, end, now_ms, processor_s, resident_mib, say
from tests.bench.wire import FastNode, Fleet, Wire, publication

from wheelpit.accounts.export import Format, export, table
from wheelpit.ingest.inbox import BATCH
from wheelpit.store import migrate
from wheelpit.store.ledger import FILE
from wheelpit.store.live import LiveReader

if TYPE_CHECKING:
    from collections.abc import Callable

_REPO: Final = Path(__file__).resolve().parents[2]
_WEEK: Final = 60_480  # records of 10 s in seven days
_NODES: Final = (1, 10, 100)
Rows = dict[str, tuple[float, str]]


def node(port: int, name: str, count: int, *, four: bool = False, most: int = 64) -> FastNode:
    """Return a node with `count` records that end about now."""
    channels, totals = (FOUR, MINIMUM_TOTALS) if four else (TWELVE, FULL_TOTALS)
    journal, chip = secrets.token_hex(8), secrets.token_hex(8)
    made = records(count, channels, totals, now_ms() - 60_000)
    queue = messages(journal, made, most)
    born = birth(journal, chip, made[0]["seq"], made[-1]["seq"], totals)
    return FastNode(SITE, name, journal, chip, port, queue, born)


def quantile(found: list[float], share: float) -> float:
    """Return the value below which a share of the values lies."""
    return sorted(found)[min(len(found) - 1, int(share * len(found)))]


def run(fleet: Fleet, what: str, total: int, patience_s: float = 600.0) -> float:
    """Run nodes until each has its receipts; return how long it took from the first one on [s]."""
    begun = time.monotonic()
    first_s = 0.0
    said_s = begun

    def over() -> bool:
        nonlocal first_s, said_s
        now_s = time.monotonic()
        if not first_s and any(each.upto for each in fleet.nodes):
            first_s = now_s
        if now_s - said_s > 2:
            said_s = now_s
            part = sum(each.upto >= message.last for each in fleet.nodes for message in each.queue)
            say(f"  {what}: {part} of {total} messages", end="\r")
        if now_s - begun > patience_s:
            msg = f"{what}: not done after {patience_s:.0f} s"
            raise TimeoutError(msg)
        return fleet.done()

    fleet.run(over)
    say(" " * 60, end="\r")
    return time.monotonic() - first_s


def bare(folder: Path, count: int) -> Rows:
    """Return what each part could do alone, with the same messages of twelve channels."""
    one = node(0, "bare", count)
    bodies = [message.body for message in one.queue]
    begun = time.monotonic()
    for body in bodies:
        json.loads(body)
    json_rate = count / (time.monotonic() - begun)
    rows: Rows = {
        "records_per_message": (count / len(bodies), ""),
        "json_records_per_s": (json_rate, "records/s"),
        "executemany_records_per_s": (_executemany(folder, count), "records/s"),
        "paho_records_per_s": (_paho(folder, bodies, count), "records/s"),
    }
    rates = [rows[f"{name}_records_per_s"][0] for name in ("json", "executemany", "paho")]
    rows["serial_bound_records_per_s"] = (1 / sum(1 / rate for rate in rates), "records/s")
    return rows


def _executemany(folder: Path, count: int) -> float:
    """Return how fast the rows alone go in: the ledger's schema, its sync, as many a commit as the writer takes."""
    db = sqlite3.connect(folder / "bare.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    migrate.migrate(db, "bare")
    body = secrets.token_bytes(150)
    rows = [(1, (1 << 24) + n, 1, 1, 1_780_000_000_000 + 10_000 * n, body) for n in range(count)]
    begun = time.monotonic()
    for at in range(0, count, 4 * BATCH):
        db.execute("BEGIN IMMEDIATE")
        db.executemany(
            "INSERT INTO record (journal_id, seq, source_id, layout_id, end_ms, body) VALUES (?, ?, ?, ?, ?, ?)",
            rows[at : at + 4 * BATCH],
        )
        db.execute("COMMIT")
    took = time.monotonic() - begun
    db.close()
    return count / took


def _paho(folder: Path, bodies: list[bytes], count: int) -> float:
    """Return how fast paho takes the messages with an empty callback, from a publisher that never waits."""
    here = folder / "paho"
    here.mkdir()
    with Grounds(here) as grounds:
        grounds.start_broker()
        came = 0
        over = threading.Event()

        def take(*_: Any) -> None:
            nonlocal came
            came += 1
            if came == len(bodies):
                over.set()

        client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTv5)
        ready = threading.Event()
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = take
        client.connect("127.0.0.1", grounds.port)
        client.subscribe("bare/#", 1)
        client.loop_start()
        ready.wait(10)
        wire = Wire(grounds.port, "publisher", [])
        reading = threading.Thread(target=_drain_acks, args=(wire,), daemon=True)
        reading.start()
        packets = [publication("bare/record", body, n % 60_000 + 1) for n, body in enumerate(bodies)]
        begun = time.monotonic()
        for n, packet in enumerate(packets):
            while n - came > 2000:  # the broker keeps no more for a slow reader than its queue holds
                time.sleep(0.001)
            wire.send(packet)
        over.wait(120)
        took = time.monotonic() - begun
        client.disconnect()
        client.loop_stop()
        wire.close()
    return count * came / len(bodies) / took


def _drain_acks(wire: Any) -> None:
    try:
        while True:
            for _ in wire.read():
                pass
    except OSError:
        return


def ingest(folder: Path, count: int) -> Rows:
    """Return how many records a second the whole takes from ten nodes that drain together."""
    names = [f"node{n}" for n in range(10)]
    with Grounds(folder, names) as grounds:
        grounds.start_broker()
        nodes = [node(grounds.port, name, count // len(names)) for name in names]
        service = grounds.start_service()
        grounds.wait_for_service()
        used_s = processor_s(service.pid)
        fleet = Fleet(nodes)
        took = run(fleet, "ingest", sum(len(each.queue) for each in nodes))
        used_s = processor_s(service.pid) - used_s
        fleet.close()
        grounds.end_service()
    return {
        "ingest_records_per_s": (count / took, "records/s"),
        "ingest_processor_us_per_record": (1e6 * used_s / count, "us of processor time"),
    }


def drain(folder: Path, count: int) -> Rows:
    """Return how long seven days of one node take, and how late its live values come meanwhile."""
    rows: Rows = {}
    for four in (False, True):
        here = folder / ("four" if four else "twelve")
        here.mkdir()
        with Grounds(here, ["wheel"]) as grounds:
            grounds.start_broker()
            one = node(grounds.port, "wheel", count, four=four)
            told: dict[int, float] = {}
            seen: dict[int, float] = {}
            one.live = _living(one, count, told)
            grounds.start_service()
            ending = threading.Event()
            watcher = threading.Thread(target=_watch_live, args=(grounds.state / "live.db", seen, ending))
            watcher.start()
            fleet = Fleet([one])
            took = run(fleet, "drain", len(one.queue))
            waits = one.waits_s
            fleet.close()
            time.sleep(0.3)
            ending.set()
            watcher.join()
            grounds.end_service()
        late = [seen[up_ms] - at for up_ms, at in told.items() if up_ms in seen]
        name = "_4ch" if four else ""
        rows[f"drain_7d{name}_s"] = (took * _WEEK / count, "s")
        rows[f"live_delay_during_drain{name}_s"] = (max(late, default=float("nan")), "s")
        rows[f"receipt_during_drain{name}_ms"] = (1000 * quantile(waits, 0.5), "ms, median")
    return rows


def _living(one: FastNode, count: int, told: dict[int, float]) -> Callable[[], bytes]:
    """Return what makes the live messages of a node, each with a number of its own."""
    begun_ms = count * 10_000
    head = {
        "journal": one.journal,
        "boot": 1,
        "at_ms": None,
        "clock": "none",
        "state": "turning",
        "edge_age_ms": 200,
    }

    def make() -> bytes:
        up_ms = begun_ms + 500 * (len(told) + 1)
        told[up_ms] = time.monotonic()
        body = head | {"up_ms": up_ms, "edge_gap_ms": 1500, "values": {"battery_v": 13.5}}
        return json.dumps(body).encode()

    return make


def _watch_live(path: Path, seen: dict[int, float], ending: threading.Event) -> None:
    reader = LiveReader(path)
    while not ending.is_set():
        for row in reader.latest(SITE) if path.is_file() else ():
            seen.setdefault(row.live.up_ms, time.monotonic())
        time.sleep(0.02)


def size(folder: Path, count: int) -> Rows:
    """Return how many bytes a record costs, roll-ups and indexes included, after the log was folded back."""
    rows: Rows = {}
    for four in (True, False):
        here = folder / ("four" if four else "twelve")
        here.mkdir()
        with Grounds(here, ["wheel"]) as grounds:
            grounds.start_broker()
            empty = (grounds.state / FILE).stat().st_size
            one = node(grounds.port, "wheel", count, four=four)
            grounds.start_service()
            fleet = Fleet([one])
            run(fleet, "bytes", len(one.queue))
            fleet.close()
            grounds.end_service()
            name = "bytes_per_record" if four else "bytes_per_record_12ch"
            rows[name] = (((grounds.state / FILE).stat().st_size - empty) / count, "bytes")
            if four:
                rows |= _export(grounds, here)
    return rows


def _export(grounds: Grounds, folder: Path) -> Rows:
    rows: Rows = {}
    kinds: tuple[Format, ...] = ("csv", "parquet")
    for kind in kinds:
        begun = time.monotonic()
        made = table(grounds.reader, SITE, "records", None, None)
        count = export(made, folder / f"out.{kind}", kind)
        rows[f"export_{kind}_rows_per_s"] = (count / (time.monotonic() - begun), "rows/s")
    return rows


def latency(folder: Path, _count: int) -> Rows:
    """Return how long a record waits for its receipt when 1, 10 and 100 nodes send one a second, and the memory."""
    rows: Rows = {}
    for many in _NODES:
        here = folder / str(many)
        here.mkdir()
        names = [f"node{n}" for n in range(many)]
        with Grounds(here, names) as grounds:
            grounds.start_broker()
            nodes = [node(grounds.port, name, 10, most=1) for name in names]
            for each in nodes:
                each.pace_s = 1.0
            service = grounds.start_service()
            grounds.wait_for_service()
            fleet = Fleet(nodes)
            run(fleet, f"latency, {many} nodes", 10 * many)
            waits = [wait_s for each in nodes for wait_s in each.waits_s]
            rows[f"commit_p99_ms_{many}_nodes"] = (
                1000 * quantile(waits, 0.99),
                "ms, to the receipt at the node",
            )
            if many == max(_NODES):
                rows["serve_rss_mib_100_nodes"] = (resident_mib(service.pid), "MiB")
            fleet.close()
            end(service)
    return rows


PARTS: Final[dict[str, Callable[[Path, int], Rows]]] = {
    "bare": bare,
    "ingest": ingest,
    "drain": drain,
    "bytes": size,
    "latency": latency,
}


def main() -> None:
    """Run the parts that are asked for and print what they found."""
    reading = argparse.ArgumentParser(description=__doc__)
    reading.add_argument("--only", default=",".join(PARTS), help="some of: " + ", ".join(PARTS))
    reading.add_argument("--records", type=int, default=_WEEK)
    told = reading.parse_args()
    rows: Rows = {}
    for name in told.only.split(","):
        say(f"{name} ...")
        with tempfile.TemporaryDirectory(prefix="bench-host-") as folder:
            found = PARTS[name](Path(folder), told.records)
        for key, (value, unit) in found.items():
            say(f"  {key:34} {value:12,.3f} {unit}")
        rows |= found
    if {"bare", "ingest"} <= set(told.only.split(",")):
        ratio = rows["ingest_records_per_s"][0] / rows["serial_bound_records_per_s"][0]
        rows["ingest_ratio_to_bare"] = (ratio, "of the serial bound")
        say(f"  {'ingest_ratio_to_bare':34} {ratio:12,.3f}")
    out = _REPO / "build" / "bench-host.json"
    out.parent.mkdir(exist_ok=True)
    kept: dict[str, Any] = json.loads(out.read_text()) if out.is_file() else {}
    kept |= {key: {"value": round(value, 4), "unit": unit} for key, (value, unit) in rows.items()}
    out.write_text(json.dumps(kept, indent=1) + "\n")
    say(f"written to {out.relative_to(_REPO)}")


if __name__ == "__main__":
    main()
