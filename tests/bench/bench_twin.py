"""Years of the fast twin, and all scenarios before the watch; prints a table and writes build/twin.json.

Each length of a run has a process of its own, so that its time and its memory are its own.

    .venv/bin/python tests/bench/bench_twin.py [YEARS ...]
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from wheelpit.demo.past import Past
from wheelpit.demo.rehearsal import Rehearsal
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.twin.fast.export import opened
from wheelpit.twin.fast.years import Year
from wheelpit.twin.faults import FAULTS
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.scenarios import scenarios

_REPO = Path(__file__).resolve().parents[2]
_YEARS = (1, 3, 10)
_LEDGER_DAYS = 10
_DYNAMIC_S = 60.0
_CHILD = "--child"

Row = tuple[str, float, str]


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def years(count: int) -> None:
    """Run some years of everything in this process, and print what it took as JSON."""
    begun = time.perf_counter()
    run = Year(load_plant(demo_plant_path()), days=365 * count)
    records = sum(columns.size for columns in run.records())
    took_s = time.perf_counter() - begun
    most_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    balance = run.balance()
    told = {"records": records, "seconds": took_s, "mib": most_mib, "error": 100 * balance.error_share}
    say(json.dumps(told | {"given_kwh": run.twin.given_j / 3.6e6}))


def of_years(count: int) -> dict[str, Any]:
    """Return what some years take in a process of their own."""
    done = subprocess.run(
        [sys.executable, __file__, _CHILD, str(count)], capture_output=True, text=True, check=True
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def into_files() -> list[Row]:
    """Return the rates of booking into a ledger and of writing Parquet."""
    plant = load_plant(demo_plant_path())
    run = Year(plant, days=_LEDGER_DAYS)
    parts = list(run.records())
    count = sum(columns.size for columns in parts)
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        with Past(Path(folder) / "ledger.db", plant, run.node, run.recorder, 1) as past:
            for columns in parts:
                past.add(columns)
        rows.append(("twin_ledger_records_per_s", count / (time.perf_counter() - begun), "records/s"))
        begun = time.perf_counter()
        with opened(Path(folder) / "year.parquet", run.faults) as out:
            for columns in parts:
                out.add(columns)
        rows.append(("twin_parquet_records_per_s", count / (time.perf_counter() - begun), "records/s"))
    return rows


def before_the_watch() -> list[Row]:
    """Return how many scenarios there are and in how many the alarms are the right ones."""
    told = scenarios()
    begun, right, played_s = time.perf_counter(), 0, 0.0
    for number, scenario in enumerate(told, 1):
        say(f"scenario {number} of {len(told)}: {scenario.name:<40}", end="\r")
        outcome = Rehearsal(scenario).run()
        right += not outcome.problems
        played_s += 60 * scenario.minutes
        for problem in outcome.problems:
            say(f"{scenario.name}: {problem}")
    took_s = time.perf_counter() - begun
    say(f"{len(told)} scenarios, {played_s / 3600:.1f} h, played in {took_s:.0f} s{'':<30}")
    occurring = set().union(*(scenario.faults for scenario in told))
    return [
        ("twin_scenarios", float(len(told)), "scenarios"),
        ("twin_scenarios_right", float(right), "scenarios"),
        ("twin_scenarios_s", took_s, "s"),
        ("twin_scenarios_hours", played_s / 3600, "h played"),
        ("twin_faults", float(len(FAULTS)), "faults"),
        ("twin_faults_in_scenarios", float(len(occurring & set(FAULTS))), "faults"),
    ]


def dynamic() -> Row:
    """Return how many times faster than real time the dynamic twin runs."""
    twin = TwinPlant(load_plant(demo_plant_path()))
    begun = time.perf_counter()
    twin.run(_DYNAMIC_S)
    return "twin_dynamic_speed", _DYNAMIC_S / (time.perf_counter() - begun), "times real time"


def main() -> None:
    """Run, print and write."""
    if _CHILD in sys.argv:
        years(int(sys.argv[-1]))
        return
    counts = [int(word) for word in sys.argv[1:]] or list(_YEARS)
    rows: list[Row] = []
    for count in counts:
        say(f"{count} years of records with their truth ...", end="\r")
        told = of_years(count)
        say(
            f"{count:3} years: {told['records']:>11,} records in {told['seconds']:6.1f} s, "
            f"{told['seconds'] / count:5.1f} s a year, {told['mib']:5.0f} MiB at most, "
            f"{told['error']:.4f} % of energy not accounted for, {told['given_kwh'] / count:.0f} kWh a year"
        )
        name = "twin_year" if count == 1 else f"twin_{count}_years"
        rows += [
            (f"{name}_s", told["seconds"], "s"),
            (f"{name}_rss_mib", told["mib"], "MiB"),
            ("twin_balance_pct" if count == 1 else f"twin_{count}_years_balance_pct", told["error"], "%"),
        ]
    rows += [*into_files(), dynamic(), *before_the_watch()]
    for key, value, unit in rows:
        say(f"{key:<34}{value:>14,.4g} {unit}")
    build = _REPO / "build"
    build.mkdir(exist_ok=True)
    written = {key: {"value": round(value, 5), "unit": unit} for key, value, unit in rows}
    (build / "twin.json").write_text(json.dumps(written, indent=1) + "\n")


if __name__ == "__main__":
    main()
