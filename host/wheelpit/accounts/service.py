"""What is due to be looked after, by use where use wears, by time where time does.

Use is counted by the node: turns of the wheel, charge above the gassing voltage. It counts from the newest entry of the
logbook that speaks of the work, or from the first day in the ledger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from wheelpit.accounts.battery import MS_PER_DAY
from wheelpit.accounts.battery_rows import battery_rows, charge_rows
from wheelpit.physics.battery import charge_voltage
from wheelpit.plant.chain import chain_of
from wheelpit.store.logbook import (
    ALARM_TESTED,
    BELT_CHANGED,
    EQUALISED,
    GREASED,
    HYDROMETER,
    TENSIONED,
    TOPPED_UP,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wheelpit.plant.description import Plant
    from wheelpit.store.logbook import Logbook
    from wheelpit.store.reader import LedgerReader
    from wheelpit.store.rows import DayRow

GASSING_CELL_V: Final = 2.35  # at 25 °C; common practice, no source
_CELLS_OF_12_V: Final = 6
_MREV_PER_MTURN: Final = 1e9
_LONGEST_MS: Final = 1000 * MS_PER_DAY
_SOON: Final = 0.9
# Water that one ampere hour splits in one cell: 18.015 g/mol over two electrons, 3600 C over 96 485 C/mol.
WATER_G_PER_AH: Final = 18.015 * 3600.0 / (2.0 * 96_485.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One thing to look after.

    Attributes:
        what: in words.
        kind: the kind of the logbook's entry that settles it.
        used: how much has passed, None where the sensors cannot tell.
        interval: after how much it is due.
        unit: of both.
        since_ms: from when it counts [Unix ms]; None where nothing is in the ledger yet.
        logged: whether that is an entry of the logbook; otherwise the first day of the ledger.
        care: what to mind when doing it.

    """

    what: str
    kind: str
    used: float | None
    interval: float
    unit: str
    since_ms: int | None
    logged: bool
    care: str

    @property
    def state(self) -> str:
        """Whether it is due."""
        if self.used is None:
            return "not known"
        share = self.used / self.interval
        return "due" if share >= 1.0 else "soon" if share >= _SOON else ""


def service(reader: LedgerReader, site: str, plant: Plant, book: Logbook, now_ms: int) -> list[Due]:
    """Return what is to be looked after and how far each has come.

    Args:
        reader: The ledger.
        site: The site's id.
        plant: The plant with its intervals.
        book: The site's logbook.
        now_ms: The time [Unix ms].

    """
    days = reader.days(site)
    told = plant.service
    begun = days[0].start_ms if days else None
    ratio = chain_of(plant).ratio

    def since(*kinds: str) -> tuple[int | None, bool]:
        entry = book.last(site, kinds, now_ms)
        return (begun, False) if entry is None else (entry.from_ms, True)

    def turns(at_ms: int | None, factor: float) -> float | None:
        if at_ms is None or "wheel_rpm" not in plant.channels:
            return None
        return factor * _turned(days, at_ms) / _MREV_PER_MTURN

    def days_since(at_ms: int | None) -> float | None:
        return None if at_ms is None else (now_ms - at_ms) / MS_PER_DAY

    found: list[Due] = []

    def add(  # noqa: PLR0917 - one line of the table
        what: str, kinds: tuple[str, ...], used: float | None, interval: float, unit: str, care: str
    ) -> None:
        at_ms, logged = since(*kinds)
        found.append(
            Due(
                what=what, kind=kinds[0], used=used, interval=interval, unit=unit, since_ms=at_ms, logged=logged, care=care
            )
        )  # fmt: skip

    still = "water off, wheel chocked"
    tension, belt = (TENSIONED, BELT_CHANGED), (BELT_CHANGED,)
    mturns = "million alternator turns"
    add(
        "look at the belt, tension it",
        tension,
        turns(since(*tension)[0], ratio),
        told.tension_mturns,
        mturns,
        still,
    )
    add("new belt", belt, turns(since(*belt)[0], ratio), told.belt_mturns, mturns, still)
    greased = turns(since(GREASED)[0], 1.0)
    add("grease the bearings", (GREASED,), greased, told.grease_mturns, "million wheel turns", still)
    if plant.battery.chemistry == "flooded":
        gassed = _gassed_ah(reader, site, plant, since(TOPPED_UP)[0], now_ms)
        most = told.water_ah_per_ah * plant.battery.capacity_ah
        vent = "goggles, air, no spark; distilled water only, after charging"
        add("top up the cells", (TOPPED_UP,), gassed, most, "Ah above the gassing voltage", vent)
        add(
            "measure the acid",
            (HYDROMETER,),
            days_since(since(HYDROMETER)[0]),
            told.hydrometer_days,
            "days",
            vent,
        )
        add("equalise", (EQUALISED,), days_since(since(EQUALISED)[0]), told.equalise_days, "days", vent)
    tried = days_since(since(ALARM_TESTED)[0])
    add(
        "try an alarm, from the wheel to a person",
        (ALARM_TESTED,),
        tried,
        told.alarm_days,
        "days",
        "stand clear of the wheel",
    )
    return found


def water_l(gassed_ah: float, nominal_v: float) -> float:
    """Return how much water a lead-acid bank can have lost at most by a charge above the gassing voltage [L].

    All of it is taken to split water, by Faraday's law; a bank that is not yet full takes part of it.
    """
    return gassed_ah * WATER_G_PER_AH * _CELLS_OF_12_V * nominal_v / 12.0 / 1000.0


def _turned(days: Sequence[DayRow], since_ms: int) -> float:
    """Return the thousandths of a turn since a time; of the day it lies in, by the share of the day."""
    return math.fsum(
        day.totals.get("wheel_mrev", 0)
        * min(max((day.end_ms - since_ms) / max(day.end_ms - day.start_ms, 1), 0.0), 1.0)
        for day in days
        if day.end_ms > since_ms
    )


def _gassed_ah(
    reader: LedgerReader, site: str, plant: Plant, since_ms: int | None, now_ms: int
) -> float | None:
    """Return the charge that was put in above the gassing voltage [Ah], or None where no current is measured."""
    if since_ms is None or not plant.channels & {"battery_a", "charge_a"}:
        return None
    read = battery_rows if "battery_a" in plant.channels else charge_rows
    rows = read(reader, site, max(since_ms, now_ms - _LONGEST_MS), now_ms)
    at = np.clip(np.where(np.isnan(rows.degc), 25.0, rows.degc), -20.0, 50.0)
    per_degc = plant.controller.v_per_degc
    gassing_v = GASSING_CELL_V * _CELLS_OF_12_V * plant.battery.nominal_v / 12.0
    base_v = charge_voltage(gassing_v, per_degc, 25.0)
    above = np.nan_to_num(rows.volts) >= base_v + per_degc * (at - 25.0)
    return float(rows.in_ah[above].sum())
