"""Days as rows for charts, table and file: what was partly measured or not at all is told apart, never filled in."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Final, Literal, TypedDict
from zoneinfo import ZoneInfo

from words import number

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from wheelpit.accounts.books import DayBook

# From this share of its time on a day counts as measured.
WHOLE: Final = 0.95

DAY_MS: Final = 86_400_000
MANY_DAYS: Final = 100
_SMALL_KWH: Final = 0.5  # below this a day is told in Wh
_MARGIN: Final = 0.1  # of a day, left empty on each side of its bar while there are not many

Kind = Literal["measured", "partly measured", "not measured", "today so far"]

RANGES: Final[dict[str, int | None]] = {
    "2 weeks": 14,
    "month": 31,
    "quarter": 92,
    "year": 365,
    "all": None,
}


class Row(TypedDict):
    """One day of a chart: its date as ms in the guise of UTC, the middle of it and the edges of its bar."""

    at: int
    left: int
    middle: int
    right: int
    day: str
    kind: Kind
    energy_kwh: float | None
    measured_pct: float
    efficiency_pct: float | None


def first_day(today: date, chosen: str, oldest: date) -> date:
    """Return the first day of a chosen range; never before the oldest day of the ledger."""
    days = RANGES[chosen]
    return oldest if days is None else max(oldest, today - timedelta(days=days - 1))


def rows(books: Iterable[DayBook], first: date, today: date) -> list[Row]:
    """Return every day from `first` to today, also those that no record reached."""
    of_day = {book.day: book for book in books}
    count = (today - first).days + 1
    margin_ms = 0 if count > MANY_DAYS else round(_MARGIN * DAY_MS)
    return [_row(first + timedelta(days=i), of_day, margin_ms) for i in range(count)]


def summary(days: Sequence[Row]) -> str:
    """Say in one sentence what a range gave and how much of it was measured."""
    given = [(row["energy_kwh"], row["day"]) for row in days if row["energy_kwh"] is not None]
    if not given:
        return "What the wheel gave is not measured in this range."
    best, best_day = max(given)
    parts = [f"{amount(sum(energy for energy, _ in given))} measured in {_days(len(given))}"]
    if len(given) > 1:
        parts.append(f"best day {long_date(date.fromisoformat(best_day))} with {amount(best)}")
    partly = sum(row["kind"] == "partly measured" for row in days)
    missing = sum(row["kind"] == "not measured" for row in days)
    if partly:
        parts.append(f"{_days(partly)} measured only in part")
    if missing:
        parts.append(f"{_days(missing)} not at all")
    return "; ".join(parts) + "."


def amount(energy_kwh: float) -> str:
    """Write an energy with the unit that leaves two or three figures."""
    if energy_kwh < _SMALL_KWH:
        return f"{number(energy_kwh * 1000, 0)} Wh"
    return f"{number(energy_kwh, 2 if energy_kwh < 10 else 1)} kWh"  # noqa: PLR2004 - three figures


def unit(days: Iterable[Row]) -> tuple[str, int]:
    """Return the unit of the energy axis and how many of it a kWh is."""
    most = max((row["energy_kwh"] or 0.0 for row in days), default=0.0)
    return ("Wh", 1000) if most < _SMALL_KWH else ("kWh", 1)


def table(books: Iterable[DayBook]) -> list[dict[str, str | float | None]]:
    """Return the rows of the table, newest first: None where nothing was measured, no column where nothing ever was."""
    found: list[dict[str, str | float | None]] = [
        {
            "day": f"{book.day.isoformat()}{' so far' if book.partial else ''}",
            "energy, kWh": _kilo(book.energy_wh) if book.coverage else None,
            "measured, %": round(book.coverage * 100, 1),
            "turns of the wheel": None if book.revolutions is None else round(book.revolutions),
            "turning, h": _rounded(book.turning_h, 1),
            "charging, h": _rounded(book.charging_h, 1),
            "peak, W": _rounded(book.peak_w, 0),
            "diverted, kWh": _kilo(book.diverted_wh),
            "electrical efficiency, %": None
            if book.electrical_efficiency is None
            else round(book.electrical_efficiency * 100, 1),
        }
        for book in sorted(books, key=lambda book: book.day, reverse=True)
    ]
    known = [name for name in (found[0] if found else {}) if any(row[name] is not None for row in found)]
    return [{name: row[name] for name in known} for row in found]


FORMATS: Final = {
    "energy, kWh": "%.3f",
    "measured, %": "%.1f",
    "turns of the wheel": "%d",
    "turning, h": "%.1f",
    "charging, h": "%.1f",
    "peak, W": "%d",
    "diverted, kWh": "%.3f",
    "electrical efficiency, %": "%.1f",
}

COLUMNS: Final = (
    "day",
    "start",
    "end",
    "complete",
    "energy_wh",
    "measured_by",
    "lower_bound",
    "coverage",
    "revolutions",
    "turning_h",
    "charging_h",
    "peak_w",
    "diverted_wh",
    "back_wh",
    "electrical_efficiency",
)


def as_csv(books: Iterable[DayBook], time_zone: str) -> str:
    """Return the days as a file: oldest first, empty where nothing was measured, bounds with their offset from UTC."""
    zone = ZoneInfo(time_zone)
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for book in sorted(books, key=lambda book: book.day):
        writer.writerow(
            {
                "day": book.day.isoformat(),
                "start": _instant(book.start_ms, zone),
                "end": _instant(book.end_ms, zone),
                "complete": "no" if book.partial or book.coverage < WHOLE else "yes",
                "energy_wh": _plain(book.energy_wh, 3),
                "measured_by": book.basis or "",
                "lower_bound": "" if book.basis is None else "yes" if book.lower_bound else "no",
                "coverage": _plain(book.coverage, 5),
                "revolutions": _plain(book.revolutions, 3),
                "turning_h": _plain(book.turning_h, 4),
                "charging_h": _plain(book.charging_h, 4),
                "peak_w": _plain(book.peak_w, 2),
                "diverted_wh": _plain(book.diverted_wh, 3),
                "back_wh": _plain(book.back_wh, 3),
                "electrical_efficiency": _plain(book.electrical_efficiency, 5),
            }
        )
    return text.getvalue()


def title(books: Iterable[DayBook], unit_name: str) -> str:
    """Say what the bars are: what was measured, and whether the wheel gave that or at least that."""
    of_battery = {book.basis for book in books if book.basis is not None} == {"battery"}
    where = "Energy into the battery" if of_battery else "Energy from the charge controller"
    return f"{where}, {unit_name} a day{', at least' if any(book.lower_bound for book in books) else ''}"


def notes(books: Iterable[DayBook]) -> list[str]:
    """Return why figures of these days are lower bounds or cannot be said, each reason once."""
    return list(dict.fromkeys(f"Energy: {book.note}." for book in books if book.note))


def long_date(day: date) -> str:
    """Write a date in words."""
    return f"{day.day} {day:%B %Y}"


def _row(day: date, of_day: dict[date, DayBook], margin_ms: int) -> Row:
    book = of_day.get(day)
    # Without a moment measured there is no energy to speak of, not even none.
    energy_wh = None if book is None or book.coverage == 0 else book.energy_wh
    coverage = 0.0 if book is None else book.coverage
    at_ms = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)
    return Row(
        at=at_ms,
        left=at_ms + margin_ms,
        middle=at_ms + DAY_MS // 2,
        right=at_ms + DAY_MS - margin_ms,
        day=day.isoformat(),
        kind=_kind(energy_wh, coverage, partial=book is not None and book.partial),
        energy_kwh=None if energy_wh is None else energy_wh / 1000,
        measured_pct=coverage * 100,
        efficiency_pct=None
        if book is None or book.electrical_efficiency is None
        else book.electrical_efficiency * 100,
    )


def _kind(energy_wh: float | None, coverage: float, *, partial: bool) -> Kind:
    if energy_wh is None:
        return "not measured"
    if partial:
        return "today so far"
    return "measured" if coverage >= WHOLE else "partly measured"


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _kilo(value: float | None) -> float | None:
    return None if value is None else round(value / 1000, 3)


def _plain(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"


def _instant(at_ms: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).isoformat()
