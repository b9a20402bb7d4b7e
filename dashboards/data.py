"""What the pages read, and how often: read-only, every answer shared by all who look, for a few seconds.

The pages write nothing to the ledger and start no thread; each call opens it, fetches all and closes it.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import streamlit as st

from moment import Moment, gather
from wheelpit import places
from wheelpit.accounts.books import DayBook, day_books
from wheelpit.accounts.commission.run import Bench, shown_now
from wheelpit.accounts.commission.written import Written, written_into
from wheelpit.errors import WheelpitError
from wheelpit.plant import Plant, load_plant
from wheelpit.report import gather as gather_period
from wheelpit.report.period import sections_of
from wheelpit.store.alarms import AlarmRow, read_alarms
from wheelpit.store.choose import chosen, reading
from wheelpit.store.ledger import FILE as LEDGER_FILE
from wheelpit.store.live import FILE as LIVE_FILE
from wheelpit.store.live import LiveReader
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.accounts.commission.results import Entry
    from wheelpit.report.sheet import Section
    from wheelpit.store.rows import RecordRow

PLANT_ENVIRONMENT: Final = "WHEELPIT_PLANT"
HOUR_MS: Final = 3_600_000


# What tells a file from an earlier one of the same name; None where there is none.
Stamp = tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Where:
    """The files the board reads. They are looked up anew at each run: a demo may start after the board."""

    state: Path
    plant: Path

    @property
    def ledger(self) -> Path:
        """The ledger's file."""
        return self.state / LEDGER_FILE

    @property
    def live(self) -> Path:
        """The file with the newest values."""
        return self.state / LIVE_FILE


@dataclass(frozen=True, slots=True)
class LastHour:
    """The records of the last hour, and the time they are shown over; `begun` when the ledger itself began in it."""

    from_ms: int
    to_ms: int
    begun: bool
    records: list[RecordRow]


def where() -> Where:
    """Return the files the board reads, as `wheelpit board` or the environment says."""
    state = places.state_folder()
    told = os.environ.get(PLANT_ENVIRONMENT)
    return Where(state, Path(told) if told else state / "plant.toml")


def now_ms() -> int:
    """Return the host's time as Unix milliseconds."""
    return time.time_ns() // 1_000_000


@st.cache_data(ttl=10, max_entries=4, show_spinner=False)
def plant(path: Path) -> Plant:
    """Return the plant's description. See `wheelpit.plant.load_plant` for what it raises."""
    return load_plant(path)


@st.cache_data(ttl=10, max_entries=4, show_spinner=False)
def sites(ledger: Path) -> list[str]:
    """Return the sites in the ledger. See `LedgerReader` for what this and the following raise."""
    return reading(ledger).sites()


def readable(ledger: Path) -> bool:
    """Whether there is a ledger that can be read."""
    try:
        reading(ledger).sites()
    except WheelpitError:
        return False
    return True


def _only_forwarded(ledger: Path) -> bool:
    """Whether the books come from a database and there is no ledger here: then there are no alarms and no nodes."""
    return chosen() != "ledger" and not ledger.is_file()


@st.cache_data(ttl=10, max_entries=4, show_spinner=False)
def declared(ledger: Path, site: str) -> dict[str, list[str]]:
    """Return the channels that each node of a site says it has."""
    if _only_forwarded(ledger):
        return {}
    return {
        node.node: [] if node.birth is None else list(node.birth.channels)
        for node in LedgerReader(ledger).nodes(site)
    }


@st.cache_data(ttl=1, max_entries=4, show_spinner=False)
def moment(live: Path, ledger: Path, site: str) -> Moment:
    """Return what is known of the plant now."""
    return gather(LiveReader(live).latest(site), declared(ledger, site), now_ms())


@st.cache_data(ttl=2, max_entries=4, show_spinner=False)
def open_alarms(ledger: Path, site: str) -> list[AlarmRow]:
    """Return the alarms that stand, the worst first."""
    if _only_forwarded(ledger):
        return []
    with LedgerReader(ledger).open() as connection:
        return read_alarms(connection, site, open_only=True)


@st.cache_data(ttl=20, max_entries=4, show_spinner=False)
def last_hour(ledger: Path, site: str) -> LastHour:
    """Return the records of the last hour."""
    reader, to_ms = reading(ledger), now_ms()
    records = reader.records(site, to_ms - HOUR_MS, to_ms)
    oldest = oldest_day(ledger, site)
    # Only a ledger that is about a day old can have begun within the hour.
    begun = bool(records) and oldest is not None and (datetime.now(UTC).date() - oldest).days <= 1
    if begun:
        begun = sum(day.records for day in reader.days(site)) <= len(records)
    from_ms = min(records[0].end_ms - records[0].span_ms, to_ms) if begun else to_ms - HOUR_MS
    return LastHour(from_ms, to_ms, begun, records)


def serving(state: Path) -> bool:
    """Whether `wheelpit serve` runs on the state folder."""
    return places.running(state, "serve") is not None


def today(time_zone: str) -> date:
    """Return the date that the site's clocks show."""
    return datetime.now(UTC).astimezone(ZoneInfo(time_zone)).date()


@st.cache_data(ttl=60, max_entries=4, show_spinner=False)
def oldest_day(ledger: Path, site: str) -> date | None:
    """Return the first local day with records, or None where there is none."""
    days = reading(ledger).day_marks(site)
    return days[0].day if days else None


def booked(ledger: Path, site: str) -> bool:
    """Whether any day has been booked."""
    return bool(reading(ledger).day_marks(site))


@st.cache_data(ttl=30, max_entries=8, show_spinner=False)
def books(ledger: Path, plant_file: Path, site: str, first: date, last: date) -> list[DayBook]:
    """Return the energy books of the days of a site that have records."""
    return day_books(reading(ledger), site, plant(plant_file), first, last)


@st.cache_data(ttl=60, max_entries=4, show_spinner=False)
def undated_wh(ledger: Path, site: str) -> float:
    """Return the energy from the charge controller that has no date yet."""
    return reading(ledger).undated(site).get("charge_mwh", 0) / 1000


@st.cache_data(ttl=300, max_entries=6, show_spinner="Reading the season")
def sections(ledger: Path, plant_file: Path, year: int, month: int | None) -> list[Section]:
    """Return what there is to say of a year, or of one month of it. Raises `ReportError` where nothing was booked."""
    reader, described = reading(ledger), plant(plant_file)
    if month is None:
        return sections_of(gather_period.year_of(reader, ledger.parent, described, year))
    return sections_of(gather_period.month(reader, ledger.parent, described, year, month))


@st.cache_data(ttl=1, max_entries=4, show_spinner=False)
def live_values(live: Path, site: str) -> dict[str, float | None]:
    """Return what a site's nodes show this moment; nothing where none speaks."""
    return shown_now(live, site, now_ms())


def bench(described: Plant, state: Path) -> Bench:
    """Return the run of bench tests as its file has it now. See `Bench` for what it raises."""
    return Bench(described, state, datetime.now(ZoneInfo(described.site.time_zone)))


def stamp(file: Path) -> Stamp:
    """Return a file's stamp."""
    try:
        told = file.stat()
    except OSError:
        return None
    return told.st_mtime_ns, told.st_ino


@st.cache_data(ttl=60, max_entries=4, show_spinner=False)
def rewritten(text: str, entries: Sequence[Entry], at: datetime) -> Written:
    """Return what plant.toml would become. See `written_into` for what it raises."""
    return written_into(text, entries, at.replace(tzinfo=None))
