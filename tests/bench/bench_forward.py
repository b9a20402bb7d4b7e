"""How fast the ledger is forwarded, how large a point is, and how much memory the forwarder takes.

    .venv/bin/python tests/bench/bench_forward.py [DAYS]

Against InfluxDB 1.x where `influxd` is installed, reached through the same gate as in the tests; the gate's own time is
in the figures. Writes build/forward.json.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import resource
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.forward.conftest import Server  # noqa: E402 - found by the line above

from wheelpit.demo.past import give_past  # noqa: E402
from wheelpit.plant import demo_plant_path, load_plant  # noqa: E402
from wheelpit.store.database import BUCKET, TOKEN, URL  # noqa: E402
from wheelpit.store.ledger import FILE  # noqa: E402


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _most_mib(pid: int) -> float:
    """Return the most memory that a process has had; what rusage says holds its parent's before the exec as well."""
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    found = [line.split()[1] for line in text.splitlines() if line.startswith("VmHWM:")]
    return int(found[0]) / 1024 if found else 0.0


def _size(folder: Path) -> int:
    """Return the bytes of the points themselves; the server's index is of a fixed size at first."""
    return sum(file.stat().st_size for file in folder.rglob("*.tsm"))


def main() -> int:
    """Measure and print; return the exit code."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    program = shutil.which("influxd")
    if program is None:
        print("influxd is not installed: nothing to measure against")  # noqa: T201
        return 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"making {days} days of records", flush=True)  # noqa: T201
        records = give_past(folder / FILE, load_plant(demo_plant_path()), days, dt.date(2026, 10, 27))
        port = _free_port()
        config = folder / "influxdb.conf"
        config.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{_free_port()}"\n[meta]\ndir = "{folder}/i/meta"\n'
            f'[data]\ndir = "{folder}/i/data"\nwal-dir = "{folder}/i/wal"\ncache-snapshot-write-cold-duration = "1s"\n'
            'compact-full-write-cold-duration = "2s"\n'
            f'[monitor]\nstore-enabled = false\n[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n'
        )
        with Server([program, "-config", str(config)], port, folder, "/ping", rewrite=True) as server:
            server.query('CREATE DATABASE "site"')
            told = {URL: server.where.url, BUCKET: "site", TOKEN: server.where.token}
            print(f"forwarding {records} records", flush=True)  # noqa: T201
            began = time.monotonic()
            child = subprocess.Popen(
                [sys.executable, "-m", "wheelpit", "forward", "--once", "--state", str(folder)],
                env={**os.environ, **told},
                stdout=subprocess.PIPE,
                text=True,
            )
            rss_mib = 0.0
            while child.poll() is None:
                rss_mib = max(rss_mib, _most_mib(child.pid))
                time.sleep(0.1)
            took_s = time.monotonic() - began
            points = int(child.communicate()[0].split()[0])
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            used_s = used.ru_utime + used.ru_stime
            time.sleep(15)
            disk = _size(folder / "i" / "data")
    figures = {
        "forward_points_per_s": (points / took_s, "1/s"),
        "forward_points_per_cpu_s": (points / used_s, "1/s"),
        "forward_rss_mib": (rss_mib, "MiB"),
        "influx_bytes_per_point": (disk / points, "B"),
    }
    for key, (value, unit) in figures.items():
        print(f"{key:28} {value:10.1f} {unit}")  # noqa: T201
    out = ROOT / "build" / "forward.json"
    out.parent.mkdir(exist_ok=True)
    out.write_text(
        json.dumps({key: {"value": value, "unit": unit} for key, (value, unit) in figures.items()}, indent=2)
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
