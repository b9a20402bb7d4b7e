"""A month or a year on paper: what it gave, where the rest went, how the time went, what was missed, and how sure that is.

Everything is worked out by `wheelpit.accounts`; here it is only put into words and pictures.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from wheelpit.accounts.books import total_energy
from wheelpit.accounts.season import SHARES
from wheelpit.accounts.timestates import LABELS, STATES
from wheelpit.report import ink, phrases
from wheelpit.report.charts import Bar, Part, Step, day_bars, duration_curve, key, staircase, strips
from wheelpit.report.sheet import Section, Sheet, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wheelpit.accounts.books import DayBook
    from wheelpit.accounts.cascade import Cascade
    from wheelpit.accounts.season import Season
    from wheelpit.accounts.timeledger import TimeLedger
    from wheelpit.accounts.timestates import State
    from wheelpit.plant.description import Plant
    from wheelpit.store.alarms import AlarmRow

_KWH: Final = 1000.0
MOST_DAYS: Final = 62
_WHOLE: Final = 0.995  # of a day: measured for less it is drawn hollow
_FILLS: Final[dict[State, str]] = {
    "charging": ink.WATER,
    "curtailed": "hatch-water",
    "idling": "hatch-oak",
    "slow": "level",
    "stopped": ink.SLATE,
    "parked": "dots",
    "unmeasured": ink.STONE,
}
_LOSSES: Final = {
    "wheel shaft": "wheel",
    "alternator shaft": "bearings, belt",
    "behind the bridge": "copper, iron, bridge",
    "battery side": "converter",
}
CARE: Final = (
    "These figures come from sensors that watch; they protect nothing. Before any work at the wheel: water off, wheel "
    "chocked. Before any work on the wiring: wheel standing, battery isolated, and wait for the capacitor. Local codes "
    "and licensed practice come first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What a report on a period is made of. What the plant's sensors cannot support is None or empty.

    Attributes:
        plant: the plant as it is now.
        name: of the period, as in "November 2026".
        first, last: its days.
        books: those of its days that have records.
        hours: its time by state, cut into days or months, each with its label.
        cascade, season: of the period.
        alarms: that stood in it; None where no ledger is at hand that knows.
        time_zone: whose days these are.
        made_ms: when the report was made [Unix ms].

    """

    plant: Plant
    name: str
    first: dt.date
    last: dt.date
    books: Sequence[DayBook]
    hours: Sequence[tuple[str, TimeLedger]]
    cascade: Cascade | None
    season: Season | None
    alarms: Sequence[AlarmRow] | None
    time_zone: str
    made_ms: int

    @property
    def by_day(self) -> bool:
        """Whether it is short enough to tell day by day."""
        return (self.last - self.first).days <= MOST_DAYS


def sections_of(material: Material) -> list[Section]:
    """Return what there is to say of a period."""
    return [
        *_given(material),
        *_chain(material),
        *_time(material),
        *_missed(material),
        *_curve(material),
        *_learned(material),
        *_alarms(material),
        *_days(material),
        _sure(material),
    ]


def sheet_of(material: Material) -> Sheet:
    """Return the report of a period."""
    made = dt.datetime.fromtimestamp(material.made_ms / 1000, ZoneInfo(material.time_zone))
    return Sheet(
        title=f"{material.plant.site.name}, {material.name}",
        under="What the wheel gave, where the rest of the water's energy went, and how sure these figures are.",
        sections=sections_of(material),
        foot=f"Made {made:%Y-%m-%d %H:%M %z}; days are those of {material.time_zone}. Intervals hold 95 % of the time.",
    )


def _given(material: Material) -> Iterator[Section]:
    books = material.books
    energy = total_energy(books) if books else None
    known = [book for book in books if book.energy_wh is not None]
    if not known:
        yield Section(heading="What it gave", lead="Nothing was measured in this time.")
        return
    best = max(known, key=lambda book: book.energy_wh or 0.0)
    coverage = sum(b.coverage * (b.end_ms - b.start_ms) for b in books) / _passed_ms(material)
    lead = (
        f"{phrases.figure(energy, 'kWh', _KWH)} came to the battery side, measured for "
        f"{phrases.share(min(1.0, coverage))} of the time. The best day was {phrases.day(best.day)} with "
        f"{(best.energy_wh or 0.0) / _KWH:.2f} kWh."
    )
    notes = list(_against(material))
    notes += sorted({book.note[0].upper() + book.note[1:] + "." for book in books if book.note})
    if material.by_day:
        picture = day_bars(_day_bars(material), "kWh", "Energy of each day", every=2)
        notes.append(
            "A hollow bar is a day of which a part was not measured, a grey one a day without any record."
        )
    else:
        picture = day_bars(_month_bars(material), "kWh", "Energy of each month")
        notes.append("A hollow bar is a month of which a part was not measured.")
    yield Section(heading="What it gave", lead=lead, pictures=[picture], notes=notes)


def _against(material: Material) -> Iterator[str]:
    against = material.season.against if material.season is not None else None
    if against is None:
        return
    yield (
        f"The same days a year before, over the {phrases.share(against.shared)} of the time that was measured in both: "
        f"{phrases.figure(against.this_wh, 'kWh', _KWH)} now, {phrases.figure(against.last_wh, 'kWh', _KWH)} then."
    )
    for what in against.changed:
        yield f"Changed in between: {what}."


def _day_bars(material: Material) -> list[Bar]:
    of_day = {book.day: book for book in material.books}
    today = dt.datetime.fromtimestamp(material.made_ms / 1000, ZoneInfo(material.time_zone)).date()
    bars = []
    for n in range((material.last - material.first).days + 1):
        day = material.first + dt.timedelta(days=n)
        book = of_day.get(day)
        energy = None if book is None else book.energy
        bars.append(
            Bar(
                label=str(day.day),
                value=None if book is None or book.energy_wh is None else book.energy_wh / _KWH,
                low=None if energy is None else energy.low / _KWH,
                high=None if energy is None else energy.high / _KWH,
                whole=book is not None and book.coverage >= _WHOLE,
                ahead=day > today,
            )
        )
    return bars


def _month_bars(material: Material) -> list[Bar]:
    months = () if material.season is None else material.season.months
    return [
        Bar(
            label=f"{dt.date(month.year, month.month, 1):%b}",
            value=None if month.energy_wh is None else month.energy_wh.value / _KWH,
            low=None if month.energy_wh is None else month.energy_wh.low / _KWH,
            high=None if month.energy_wh is None else month.energy_wh.high / _KWH,
            whole=month.coverage * len(month.days) / calendar.monthrange(month.year, month.month)[1]
            >= _WHOLE,
        )
        for month in months
    ]


def _passed_ms(material: Material) -> int:
    """Return how much of the period has passed, by the site's clock [ms]."""
    zone = ZoneInfo(material.time_zone)
    starts = dt.datetime.combine(material.first, dt.time(), zone)
    ends = dt.datetime.combine(material.last + dt.timedelta(days=1), dt.time(), zone)
    until_ms = min(ends.timestamp() * 1000, material.made_ms)
    return max(1, round(until_ms - starts.timestamp() * 1000))


def _chain(material: Material) -> Iterator[Section]:
    chain = material.cascade
    if chain is None or not any(stage.energy_wh for stage in chain.stages):
        return
    known = [stage for stage in chain.stages if stage.energy_wh is not None]
    steps = [
        Step(
            name=stage.name,
            value=stage.energy_wh.value / _KWH,
            u=stage.energy_wh.u / _KWH,
            modelled=stage.energy_wh.origin == "modelled",
            loss_name=_LOSSES.get(stage.name, ""),
        )
        for stage in known
        if stage.energy_wh is not None
    ]
    rows = [
        [
            stage.name,
            phrases.figure(stage.energy_wh, "kWh", _KWH),
            ""
            if stage.share is None
            else f"{phrases.figure(stage.share, '%', 0.01, marked=False)} of {stage.before}",
            stage.needs,
        ]
        for stage in (*chain.stages, *chain.uses)
    ]
    lead = f"Over the {chain.common_h:,.0f} hours in which all measured stages were measured together" + (
        "."
        if chain.overall is None
        else f", {phrases.figure(chain.overall, '%', 0.01)} of {known[0].name} came out at {known[-1].name}."
    )
    yield Section(
        heading="Where the rest of it went",
        lead=lead,
        pictures=[staircase(steps, "kWh", "Energies from the water to the battery side")],
        tables=[
            Table(heads=["stage", "energy", "share", "a sensor that would measure it"], rows=rows, figures=2)
        ],
        notes=[
            "Hatched and dashed: modelled from the plant's description, not measured. The dark lines are 95 % intervals.",
            *(f"Changed within this time: {what}." for what in chain.changes),
        ],
    )


def _time(material: Material) -> Iterator[Section]:
    if not material.hours:
        return
    sums = {state: sum(ledger.ms[state] for _, ledger in material.hours) for state in STATES}
    whole = max(1, sum(sums.values()))
    used = [state for state in STATES if sums[state]]
    rows = [
        (label, [Part(LABELS[state], ledger.shares[state], _FILLS[state]) for state in STATES])
        for label, ledger in material.hours
    ]
    stops = [stop for _, ledger in material.hours for stop in ledger.stops or ()]
    notes = sorted(
        {note[0].upper() + note[1:] + "." for _, ledger in material.hours for note in ledger.notes}
    )
    if stops:
        notes.insert(0, f"The wheel came to a stop {len(stops)} times.")
    table = Table(
        heads=["state", "time", "share"],
        rows=[
            [LABELS[state], phrases.lasted(sums[state]), phrases.share(sums[state] / whole)] for state in used
        ],
        figures=2,
    )
    yield Section(
        heading="How the time was spent",
        pictures=[
            key([(LABELS[state], _FILLS[state]) for state in used], "What the fills mean"),
            strips(rows, "Time by state"),
        ],
        tables=[table],
        notes=notes,
    )


def _missed(material: Material) -> Iterator[Section]:
    if material.season is None or not material.season.missed:
        return
    rows = [
        [
            missed.text,
            phrases.figure(missed.energy_wh, "kWh", _KWH),
            f"{missed.hours:,.1f} h",
            str(missed.episodes),
        ]
        for missed in sorted(material.season.missed, key=lambda missed: -missed.energy_wh.value)
    ]
    yield Section(
        heading="What was missed, and why",
        lead="What the plant would have given, as it gives on its good days, less what it gave.",
        tables=[Table(heads=["cause", "energy", "time", "times"], rows=rows, figures=3)],
    )


def _curve(material: Material) -> Iterator[Section]:
    season = material.season
    if season is None or season.power_curve is None:
        return
    mean = phrases.figure(season.mean_w, "W")
    lead = f"Mean {mean} over the measured time."
    if season.capacity_factor is not None:
        lead += (
            f" That is {phrases.figure(season.capacity_factor, '%', 0.01)} of the rated {season.rated_w:g} W."
        )
    picture = duration_curve(
        list(zip(SHARES, season.power_curve, strict=True)), "W", "Power over the share of time it was reached"
    )
    yield Section(heading="How often it gave how much", lead=lead, pictures=[picture])


def _learned(material: Material) -> Iterator[Section]:
    season = material.season
    if season is None or season.baselines is None:
        return
    base = season.baselines
    since = dt.datetime.fromtimestamp(base.since_ms / 1000, ZoneInfo(material.time_zone)).date()
    why = f", {base.why}" if base.why else ""
    rows = [
        [name, phrases.figure(figure, unit), figure.note]
        for figure, name, unit in (
            (base.ratio, "turns of the alternator for one of the wheel", ""),
            (base.k_conducting, "alternator, with current", "V s/rad"),
            (base.k_open, "alternator, without current", "V s/rad"),
        )
        if figure is not None
    ]
    drifts = [
        f"{drift.text}: {phrases.figure(drift.share, '%', 0.01)} since {phrases.day(drift.since)}. {drift.causes}."
        for drift in season.drifts
    ]
    yield Section(
        heading="What is usual, and what has changed",
        lead=f"Learned from {base.good_h:,.0f} good hours since {phrases.day(since)}{why}."
        + ("" if drifts else " No lasting change for the worse is seen."),
        tables=[Table(heads=["learned", "value", ""], rows=rows, figures=1)] if rows else [],
        notes=drifts,
    )


def _alarms(material: Material) -> Iterator[Section]:
    if material.alarms is None:
        lead = "Not known here: alarms are only in the ledger. Make this report where the ledger is to have them."
        yield Section(heading="Alarms", lead=lead)
        return
    zone = ZoneInfo(material.time_zone)
    rows = [
        [
            f"{dt.datetime.fromtimestamp(row.onset_ms / 1000, zone):%d %b %H:%M}",
            row.priority,
            row.title,
            "it stands" if row.cleared_ms is None else phrases.lasted(row.lasted_ms(material.made_ms)),
        ]
        for row in sorted(material.alarms, key=lambda row: row.onset_ms)
    ]
    table = Table(heads=["began", "priority", "what", "for"], rows=rows)
    yield Section(
        heading="Alarms",
        lead="None was raised." if not rows else f"{len(rows)} were raised.",
        tables=[table] if rows else [],
        long=True,
    )


def _days(material: Material) -> Iterator[Section]:
    rows = [
        [
            f"{book.day:%a %d}",
            phrases.figure(book.energy, "kWh", _KWH),
            phrases.share(book.coverage),
            _plain(book.revolutions, 0),
            _plain(book.charging_h, 1),
            _plain(book.peak_w, 0),
            _plain(None if book.diverted_wh is None else book.diverted_wh / _KWH, 2),
        ]
        for book in material.books
    ]
    heads = ["day", "energy", "measured", "turns", "charging h", "peak W", "diverted kWh"]
    if rows and material.by_day:
        yield Section(heading="Day by day", tables=[Table(heads=heads, rows=rows, figures=6)], long=True)


def _plain(value: float | None, digits: int) -> str:
    return phrases.ABSENT if value is None else f"{value:,.{digits}f}"


def _sure(material: Material) -> Section:
    notes = [
        (
            "Each interval follows from what plant.toml says of the sensors (JCGM 100:2008). Errors of a shunt, a divider "
            "or a converter are the same every day: they add up over time and do not average out."
        ),
        "What was not measured is not filled in: energies are those of the measured time.",
    ]
    if material.season is not None:
        notes += [note[0].upper() + note[1:].rstrip(".") + "." for note in material.season.notes]
    return Section(heading="How sure this is", notes=notes, cares=[CARE])
