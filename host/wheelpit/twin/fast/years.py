"""Whole years of one plant: a usual, a wet and a dry one, and one in which everything happens."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.orders import NONE, Orders, Outage, Parked
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.faults import fault_of
from wheelpit.twin.season import Season
from wheelpit.twin.trouble import FaultError, TwinError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.plant import Plant
    from wheelpit.twin.balance import Balance
    from wheelpit.twin.fast.records import RecordColumns

FIRST_DAY: Final = dt.date(2025, 1, 1)
_DAY_S: Final = 86_400.0
_HOUR_S: Final = 3600.0


class Kind(NamedTuple):
    """A kind of year: what it is like, the median of the stream [L/s], the rain over the usual, whether things break."""

    text: str
    median_l_s: float = 6.0
    rain_share: float = 1.0
    breaks: bool = False


KINDS: Final[dict[str, Kind]] = {
    "usual": Kind("rain, recession, frost and leaves as in most years"),
    "wet": Kind("half as much water again", 9.0, 1.2),
    "dry": Kind("half the water; the wheel turns slowly for weeks", 3.0, 0.8),
    "everything": Kind("a usual stream, and all that breaks, slackens, clogs and is put right", breaks=True),
}


class Happening(NamedTuple):
    """Something of the year in which everything happens; days and hours are counted from New Year, UTC."""

    day: float
    what: str
    fault: str
    hours: float
    severity: float = 1.0
    ramp_h: float = 0.0


# Days of a common year: 31 is the first of February, 90 the first of April, 304 the first of November.
HAPPENINGS: Final = (
    Happening(44.3, "flood: the tailwater stands high and the wheel wades", "tailwater", 14.0, 0.4, 5.0),
    Happening(84.45, "nothing limits the battery's voltage, until the wheel is stopped", "limiter", 0.7),
    Happening(91.0, "the belt slackens, until it is tensioned", "belt-slip", 14.6 * 24, 0.7, 14.0 * 24),
    Happening(
        139.59,
        "a breaker behind the bridge trips; the wheel runs away until somebody comes",
        "fuse-open",
        0.6,
    ),
    Happening(
        161.4,
        "the battery's thermometer is dead, until its plug is pushed in",
        "sensor-dead:battery_degc",
        46.0,
    ),
    Happening(183.39, "a branch jams the wheel, until it is taken out", "jam", 6.7),
    Happening(244.0, "a bearing runs dry, until it is greased", "bearing", 49.6 * 24, 0.5, 35.0 * 24),
    Happening(
        273.0,
        "a battery terminal corrodes, until it is cleaned",
        "corroded-terminal",
        62.0 * 24,
        0.3,
        50.0 * 24,
    ),
    Happening(310.5, "leaves close the rack within hours, until it is raked", "clogging", 7.0, 0.6, 5.0),
    Happening(328.2, "a phase lead breaks off, until it is soldered", "phase-lost", 31.0),
)
PARKED: Final = ((67.42, 2.5), (293.6, 1.5))  # for greasing
NO_SUPPLY: Final = ((352.7, 6.0),)  # the node stands dark: the house was


def happenings(plant: Plant, first_day: dt.date, days: int) -> Orders:
    """Return what begins in a run over some days in which everything happens, as far as a plant can have it."""
    faults: list[Episode] = []
    parked: list[Parked] = []
    for new_year_s in _new_years(first_day, days):
        for told in HAPPENINGS:
            begin_s = new_year_s + told.day * _DAY_S
            if begin_s >= 0 and _can_have(plant, told.fault):
                faults.append(
                    Episode(
                        told.fault,
                        begin_s,
                        told.severity,
                        told.ramp_h * _HOUR_S,
                        begin_s + told.hours * _HOUR_S,
                    )
                )
        for day, hours in PARKED:
            begin_s = new_year_s + day * _DAY_S
            parked.append(Parked(begin_s, begin_s + hours * _HOUR_S))
    return Orders(faults=tuple(faults), parked=tuple(parked))


def _outages(first_day: dt.date, days: int) -> list[Outage]:
    return [
        Outage(new_year_s + day * _DAY_S, new_year_s + day * _DAY_S + hours * _HOUR_S)
        for new_year_s in _new_years(first_day, days)
        for day, hours in NO_SUPPLY
        if new_year_s + day * _DAY_S >= 0
    ]


def _new_years(first_day: dt.date, days: int) -> list[float]:
    """Return the New Years that matter for some days, in seconds from their beginning."""
    last_day = first_day + dt.timedelta(days=days - 1)
    return [
        (dt.date(year, 1, 1) - first_day).days * _DAY_S for year in range(first_day.year, last_day.year + 1)
    ]


def _can_have(plant: Plant, fault: str) -> bool:
    try:
        fault_of(plant, fault)
    except FaultError:
        return False
    return True


class Year:
    """A run over some days, handed out month by month, so that memory stays flat.

    Args:
        plant: The plant.
        kind: A name of `KINDS`.
        seed: Seed of all that is random.
        days: How many days.
        first_day: The first of them; each begins at midnight UTC.
        node: The node whose records are wanted; the first one where it is None.
        worse: The sensors' errors as a multiple of the usual ones; 0 for none.

    `node` is its id, `recorder` makes its records, `faults` names what may break.

    Raises:
        TwinError: There is no such kind or node, or a value is out of range.
        UnmodelledError: The plant is one that only the dynamic twin can do.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        kind: str = "everything",
        seed: int = 1,
        days: int = 365,
        first_day: dt.date = FIRST_DAY,
        node: str | None = None,
        worse: float = 1.0,
    ) -> None:
        if kind not in KINDS:
            msg = f'kind of year "{kind}": not known; use one of {", ".join(KINDS)}'
            raise TwinError(msg)
        if days < 1:
            msg = f"{days} days: give 1 or more"
            raise TwinError(msg)
        self.node = plant.node_ids[0] if node is None else node
        if self.node not in plant.node_ids:
            msg = f'node "{node}": no sensor names it; use one of {", ".join(plant.node_ids)}'
            raise TwinError(msg)
        told = KINDS[kind]
        self.faults = tuple(dict.fromkeys(what.fault for what in HAPPENINGS)) if told.breaks else ()
        self.days = days
        self.first_day = first_day
        orders = happenings(plant, first_day, days) if told.breaks else NONE
        outages = _outages(first_day, days) if told.breaks else ()
        self.recorder = Recorder(
            plant, self.node, seed=seed, first_day=first_day, outages=outages, worse=worse
        )
        source = Season(seed, first_day, median_l_s=told.median_l_s, rain_share=told.rain_share)
        self.twin = FastTwin(
            plant,
            first_day=first_day,
            seed=seed,
            orders=orders,
            source=source,
            habits=Habits(),
            step_s=float(self.recorder.record_s),
        )

    def records(self) -> Iterator[RecordColumns]:
        """Yield all records, a month (or what a boot has of it) at a time; once only."""
        for days in self.months():
            yield from self.recorder.record(self.twin.run(days * _DAY_S))

    def months(self) -> Iterator[int]:
        """Yield how many days of each calendar month belong to the run."""
        day, last_day = self.first_day, self.first_day + dt.timedelta(days=self.days)
        while day < last_day:
            following = (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
            ends = min(following, last_day)
            yield (ends - day).days
            day = ends

    def balance(self) -> Balance:
        """Return where the energy went, of what was handed out."""
        return self.twin.balance()
