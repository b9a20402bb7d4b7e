"""How fast the ledger is forwarded, how large a point is, how much memory it takes; and what an outage costs.

    .venv/bin/python tests/bench/bench_forward.py [--only rate,outage] [--days N] [--minutes M]

The rate is measured against InfluxDB 1.x where `influxd` is installed, reached through the same gate as in the tests;
the gate's own time is in the figures. The outage takes a quarter of an hour: 401, 503, then a server that is away for ten
minutes, for InfluxDB and victoria-metrics at once. Writes build/forward.json; exits 1 if a point was lost or came twice.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.forward_outage import Course, influx, outage  # noqa: E402 - found by the line above
from tests.bench.grounds import say  # noqa: E402

from wheelpit.demo.past import give_past  # noqa: E402
from wheelpit.plant import demo_plant_path, load_plant  # noqa: E402
from wheelpit.store.database import BUCKET, TOKEN, URL  # noqa: E402
from wheelpit.store.ledger import FILE  # noqa: E402

_PROGRAMS: Final = {"influxdb": "influxd", "victoria": "victoria-metrics"}
Figures = dict[str, tuple[float, str]]


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


def _rate(folder: Path, program: str, days: int) -> Figures:
    say(f"making {days} days of records")
    records = give_past(folder / FILE, load_plant(demo_plant_path()), days, dt.date(2026, 10, 27))
    with influx(program, folder) as server:
        told = {URL: server.where.url, BUCKET: "site", TOKEN: server.where.token}
        say(f"forwarding {records} records")
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
    return {
        "forward_points_per_s": (points / took_s, "1/s"),
        "forward_points_per_cpu_s": (points / used_s, "1/s"),
        "forward_rss_mib": (rss_mib, "MiB"),
        "influx_bytes_per_point": (disk / points, "B"),
    }


def _outage(folder: Path, programs: dict[str, str], minutes: float) -> tuple[Figures, bool]:
    course = Course(away_s=60 * minutes)
    figures: Figures = {"outage_s": (course.away_s, "s")}
    right = True
    for name, found in outage(folder, programs, course).items():
        right &= not (found["points_missing"] or found["points_double"] or found["points_not_wanted"])
        right &= found["points_refused"] == 1
        for key, value in found.items():
            figures[f"outage_{name}_{key}"] = (value, "s" if key.endswith("_s") else "count")
    return figures, right


def main() -> int:
    """Measure and print; return the exit code."""
    reading = argparse.ArgumentParser(description=__doc__)
    reading.add_argument("--only", default="rate,outage", help="one of rate, outage, or both")
    reading.add_argument("--days", type=int, default=3, help="of records, for the rate")
    reading.add_argument("--minutes", type=float, default=10.0, help="how long the server is away")
    told = reading.parse_args()
    programs = {name: found for name, each in _PROGRAMS.items() if (found := shutil.which(each)) is not None}
    if "influxdb" not in programs:
        say("influxd is not installed: nothing to measure against")
        return 1
    figures: Figures = {}
    right = True
    with tempfile.TemporaryDirectory() as name:
        if "rate" in told.only.split(","):
            figures |= _rate(Path(name), programs["influxdb"], told.days)
        if "outage" in told.only.split(","):
            of_outage, right = _outage(Path(name), programs, told.minutes)
            figures |= of_outage
    for key, (value, unit) in figures.items():
        say(f"{key:32} {value:10.1f} {unit}")
    out = ROOT / "build" / "forward.json"
    out.parent.mkdir(exist_ok=True)
    kept = json.loads(out.read_text()) if out.is_file() else {}
    kept |= {key: {"value": value, "unit": unit} for key, (value, unit) in figures.items()}
    out.write_text(json.dumps(kept, indent=2) + "\n")
    return 0 if right else 1


if __name__ == "__main__":
    sys.exit(main())
