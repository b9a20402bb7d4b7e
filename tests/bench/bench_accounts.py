"""How long the accounts take over 1, 3 and 10 years from roll-ups, and to add a year of full records up anew.

The twin's fast mode makes the years: 60 s records for the ten, since roll-ups are the same size whatever they were made
from, and 10 s records for the year that is added up anew. Each page is timed warm, as it opens again and again, and cold:
nothing is kept beside the ledger, and the system has forgotten the ledger where it can be asked to. Beside seconds by the
clock stand those of the processor. Prints a table and writes build/accounts.json.

    .venv/bin/python tests/bench/bench_accounts.py [YEARS ...]
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import os
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rolled import Rolled
from tests.bench.season_page import season_page

from wheelpit.accounts.books import day_books, total_energy
from wheelpit.accounts.cascade import cascade
from wheelpit.accounts.rebook import differences
from wheelpit.accounts.timeledger import time_ledgers
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import Node
from wheelpit.store.reader import LedgerReader
from wheelpit.twin.fast.years import Year

if TYPE_CHECKING:
    from collections.abc import Callable

    from wheelpit.plant import Plant

    Page = Callable[[LedgerReader, str, Plant, Path], object]

_REPO: Final = Path(__file__).resolve().parents[2]
_YEARS: Final = (1, 3, 10)
_LAST_DAY: Final = dt.date(2025, 12, 31)
_TRIES: Final = 3
_UNITS: Final = ("s", "s, processor")

Rows = dict[str, tuple[float, str]]


def say(text: str, end: str = "\n") -> None:
    """Print a line at once."""
    sys.stdout.write(text + end)
    sys.stdout.flush()


def books(reader: LedgerReader, site: str, plant: Plant, _folder: Path) -> object:
    """Return the books of all days with what they give together."""
    return total_energy(day_books(reader, site, plant, details=False))


def stages(reader: LedgerReader, site: str, plant: Plant, _folder: Path) -> object:
    """Return the cascade of the whole time."""
    return cascade(reader, site, plant)


def hours(reader: LedgerReader, site: str, plant: Plant, _folder: Path) -> object:
    """Return the time ledger of the whole time from roll-ups."""
    rows = reader.days(site)
    return time_ledgers(reader, site, plant, [rows[0].start_ms, rows[-1].end_ms], fine=False)


# What a page over years is made from; what counts towards `accounts_10y_s` is marked.
PAGES: Final[tuple[tuple[str, bool, Page], ...]] = (
    ("books", True, books),
    ("cascade", True, stages),
    ("season", True, season_page),
    ("hours", False, hours),
)


def make(path: Path, years: int, *, record_s: int, raw: bool = False) -> Plant:
    """Write a ledger of some years that end with 2025."""
    plant = dataclasses.replace(load_plant(demo_plant_path()), nodes=(Node(id="wheel", record_s=record_s),))
    first_day = dt.date(_LAST_DAY.year - years + 1, 1, 1)
    run = Year(plant, kind="everything", days=(_LAST_DAY - first_day).days + 1, first_day=first_day)
    with Rolled(path, plant, run.node, raw=raw) as out:
        for columns in run.records():
            out.add(columns)
            day = dt.datetime.fromtimestamp(columns.end_ms[-1] / 1000, dt.UTC)
            say(f"making {years} years: {day:%Y-%m}   ", end="\r")
    return plant


def timed(work: Callable[[], object], tries: int = _TRIES) -> tuple[float, float]:
    """Return the shortest of some tries [s], by the clock and by the processor's own time."""
    clock, own = [], []
    for _ in range(tries):
        begun, begun_own = time.perf_counter(), time.process_time()
        work()
        clock.append(time.perf_counter() - begun)
        own.append(time.process_time() - begun_own)
    return min(clock), min(own)


def forget(ledger: Path, kept: Path) -> None:
    """Remove what is kept beside a ledger, and ask the system to forget what it holds of the ledger in memory."""
    kept.unlink(missing_ok=True)
    if hasattr(os, "posix_fadvise"):
        with ledger.open("rb") as held:
            os.fsync(held.fileno())
            os.posix_fadvise(held.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def over_years(folder: Path, years: int) -> Rows:
    """Return how long each page takes over some years, cold and warm."""
    path = folder / f"{years}.db"
    kept = folder / f"season-{years}.db"
    plant = make(path, years, record_s=60)
    reader = LedgerReader(path, keep=kept)
    rows: Rows = {}
    together: dict[str, float] = defaultdict(float)
    for name, counts, work in PAGES:

        def page(work: Page = work) -> object:
            return work(reader, plant.site.id, plant, folder)

        forget(path, kept)
        for heat, tries in (("_cold", 1), ("", _TRIES)):
            for clock, took in zip((f"{heat}_s", f"{heat}_cpu_s"), timed(page, tries), strict=True):
                rows[f"accounts_{name}_{years}y{clock}"] = took, _UNITS["cpu" in clock]
                together[clock] += took if counts else 0.0
    for clock, took in together.items():
        rows[f"accounts_{years}y{clock}"] = took, _UNITS["cpu" in clock]
    path.unlink()
    kept.unlink(missing_ok=True)
    return rows


def rebooked(folder: Path) -> Rows:
    """Return how long it takes to add a year of full records up anew, and how many totals then differ."""
    path = folder / "raw.db"
    plant = make(path, 1, record_s=10, raw=True)
    begun, begun_own = time.perf_counter(), time.process_time()
    lines, _ = differences(
        LedgerReader(path),
        plant.site.id,
        progress=lambda done, of: say(f"added up {done} of {of} days   ", end="\r"),
    )
    took, own = time.perf_counter() - begun, time.process_time() - begun_own
    return {
        "rebook_1y_s": (took, "s"),
        "rebook_1y_cpu_s": (own, "s, processor"),
        "rebook_1y_differences": (float(len(lines)), "totals"),
    }


def main() -> None:
    """Run, print and write."""
    counts = [int(word) for word in sys.argv[1:]] or list(_YEARS)
    rows: Rows = {}
    with tempfile.TemporaryDirectory() as folder:
        for years in (*counts, 0):
            found = over_years(Path(folder), years) if years else rebooked(Path(folder))
            say(f"{'':<40}", end="\r")
            for key, (value, unit) in found.items():
                say(f"{key:<34}{value:>12.4g} {unit}")
            rows |= found
    build = _REPO / "build"
    build.mkdir(exist_ok=True)
    written = {key: {"value": round(value, 5), "unit": unit} for key, (value, unit) in rows.items()}
    (build / "accounts.json").write_text(json.dumps(written, indent=1) + "\n")


if __name__ == "__main__":
    main()
