"""Energy books, their uncertainty, the time ledger and the dating of stops, against the twin.

The virtual plants differ from their description, and each one's sensors have errors of their own, drawn once (twin/variety,
twin/sensing). The books see the described plant and the records only.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.rolled import Rolled

from wheelpit.accounts.books import day_books, total_energy
from wheelpit.accounts.cascade import cascade
from wheelpit.accounts.timeledger import time_ledgers
from wheelpit.accounts.timestates import STATES
from wheelpit.contract.names import PAIRS
from wheelpit.demo.past import Past
from wheelpit.plant import demo_plant_path, limits_of, load_plant
from wheelpit.plant.description import Node
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger
from wheelpit.store.reader import LedgerReader
from wheelpit.twin.fast.columns import switched
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.orders import Outage
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.fast.years import Year
from wheelpit.twin.scenarios.engines import engine_of
from wheelpit.twin.scenarios.load import find
from wheelpit.twin.scenarios.node import NodeModel
from wheelpit.twin.season import Season
from wheelpit.twin.sensing import instruments_of
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from wheelpit.accounts.books import DayBook
    from wheelpit.plant import Plant
    from wheelpit.twin.fast.records import RecordColumns
    from wheelpit.twin.scenarios.description import Scenario

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]

_TOLD: Final = load_plant(demo_plant_path())
_SITE: Final = _TOLD.site.id
_DAY_S: Final = 86_400.0
_MS_PER_H: Final = 3_600_000
_PLANTS: Final = 200
_DAYS: Final = 60
_LEAST_WH: Final = 1.0  # a day that gave less is judged by its watt hours, not by its per cents
# Stretches of the twin's years in which something happens, and quiet ones: kind, first day, days.
_STRETCHES: Final = (
    (
        "everything",
        dt.date(2025, 5, 18),
        4,
    ),  # a breaker trips; the wheel runs away until it is parked by hand
    ("everything", dt.date(2025, 7, 2), 4),  # a branch
    ("everything", dt.date(2025, 12, 17), 4),  # the node without its supply
    ("everything", dt.date(2025, 3, 7), 4),  # parked for greasing
    ("dry", dt.date(2025, 8, 10), 6),  # starts and stops around cut-in
    ("wet", dt.date(2025, 1, 10), 4),  # full for hours
)
_STOPS: Final = (
    ("jam-by-a-branch", (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0)),
    ("normal-gate-closed-by-hand", (3.0, 4.0, 6.0, 8.0, 10.0, 15.0)),
)


class Drawn(NamedTuple):
    """One virtual plant's days: book, what truly came, what the sensors saw [Wh], and the ideal uncertainty [Wh].

    `stages` says of each stage of the cascade whether the truth lies in its interval, and how far it is off [%].
    """

    books: list[DayBook]
    true_wh: NDArray[np.float64]
    seen_wh: NDArray[np.float64]
    ideal_u: NDArray[np.float64]
    stages: dict[str, tuple[bool, float]]


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - called by position, by every part alike
    """Return the figures of this part."""
    with tempfile.TemporaryDirectory() as folder:
        rows = _energies(Path(folder), 20 if quick else _PLANTS, 4 if quick else _DAYS, say)
        rows |= _real_road(Path(folder), quick=quick)
        say("time ledgers ...")
        stretches = _STRETCHES[1:2] if quick else _STRETCHES
        exact, rough = _times(Path(folder), stretches, worse=0.0)
        rows["time_ledger_error_pct_max"] = (exact, "% of a day")
        rows["time_ledger_from_rollups_error_pct_max"] = (rough, "% of a day")
        if not quick:
            # With sensors that err: a trickle about the limit of charging is called so or not by a few milliamperes.
            exact, _ = _times(Path(folder), stretches, worse=1.0)
            rows["time_ledger_error_erring_sensors_pct_max"] = (exact, "% of a day")
        say("stops ...")
        rows |= _stops(Path(folder), quick=quick)
    return rows


# Energies.


def _energies(folder: Path, plants: int, days: int, say: Say) -> Rows:
    inside = seasons = counted = 0
    widths: list[float] = []
    ideals: list[float] = []
    worst = 0.0
    stages: dict[str, list[tuple[bool, float]]] = {}
    for number in range(plants):
        drawn = _virtual(folder / f"plant-{number}.db", number, days)
        for book, true, seen, ideal in zip(
            drawn.books, drawn.true_wh, drawn.seen_wh, drawn.ideal_u, strict=True
        ):
            if book.energy is None or book.energy_wh is None:
                msg = f"{book.day} of plant {number} has no energy: {book.note}"
                raise ValueError(msg)
            counted += 1
            inside += book.energy.low <= true <= book.energy.high
            widths.append(book.energy.u)
            ideals.append(ideal)
            worst = max(worst, 100 * abs(book.energy_wh - float(seen)) / max(float(seen), _LEAST_WH))
        for name, told in drawn.stages.items():
            stages.setdefault(name, []).append(told)
        whole = total_energy(drawn.books)
        if whole is not None:
            seasons += whole.low <= drawn.true_wh.sum() <= whole.high
        if number % 20 == 19:
            say(f"  {number + 1} of {plants} virtual plants: {100 * inside / counted:.1f} % of days inside")
    return {
        "virtual_plants": (float(plants), "plants"),
        "virtual_plant_days": (float(counted), "days"),
        "arithmetic_error_pct_max": (worst, "%"),
        "days_inside_interval_pct": (100 * inside / counted, "%"),
        "seasons_inside_interval_pct": (100 * seasons / plants, "%"),
        "interval_width_ratio": (float(np.mean(widths) / np.mean(ideals)), "x ideal"),
        **{
            f"{name}_inside_interval_pct": (100 * sum(inside for inside, _ in told) / len(told), "%")
            for name, told in stages.items()
        },
        **{
            f"{name}_error_pct_rms": (math.sqrt(sum(off * off for _, off in told) / len(told)), "%")
            for name, told in stages.items()
        },
    }


def _virtual(path: Path, number: int, days: int) -> Drawn:
    """Simulate, write and read back one virtual plant; every third one loses its supply for some hours."""
    told = dataclasses.replace(_TOLD, nodes=(Node(id="wheel", record_s=60),))
    true = variant(told, number)
    first_day = dt.date(2025, 1, 1) + dt.timedelta(days=37 * number % 365)
    twin = FastTwin(
        true.plant,
        first_day=first_day,
        seed=number,
        source=Season(number, first_day),
        habits=Habits(),
        assumptions=true.assumptions,
        step_s=60.0,
    )
    outages = (Outage(1.3 * _DAY_S, 1.55 * _DAY_S),) if number % 3 == 0 else ()
    recorder = Recorder(told, "wheel", seed=number, first_day=first_day, outages=outages)
    parts: list[RecordColumns] = []
    for begin in range(0, days, 30):
        parts += recorder.record(twin.run(min(30, days - begin) * _DAY_S))
    with Rolled(path, told, "wheel") as out:
        for columns in parts:
            out.add(columns)
    books = day_books(LedgerReader(path), _SITE, told, now_ms=1 << 50, details=False)
    stages = _stages(path, told, parts)
    path.unlink()
    return Drawn(books, *_truth(told, number, parts, books), stages)


def _stages(path: Path, told: Plant, parts: list[RecordColumns]) -> dict[str, tuple[bool, float]]:
    """Compare the cascade of a whole run with the truth of the same time."""
    bridge = _wh(parts, "rectified_w")
    alternator = bridge + _wh(parts, "diode_w") + _wh(parts, "copper_w") + _wh(parts, "iron_w")
    true = {
        "wheel shaft": alternator + _wh(parts, "belt_w"),
        "alternator shaft": alternator,
        "behind the bridge": bridge,
        "battery side": _wh(parts, "given_w"),
    }
    found = cascade(LedgerReader(path), _SITE, told)
    energies = {stage.name: stage.energy_wh for stage in found.stages}
    result: dict[str, tuple[bool, float]] = {}
    for name, wh in true.items():
        energy = energies[name]
        if energy is None:
            msg = f"{path.name}: the cascade knows nothing of the {name}"
            raise ValueError(msg)
        off = 100 * (energy.value - wh) / max(wh, _LEAST_WH)
        result[f"cascade_{name.replace(' ', '_')}"] = energy.low <= wh <= energy.high, off
    return result


def _wh(parts: list[RecordColumns], name: str) -> float:
    return sum(float(columns.truth[name].sum()) * columns.span_ms / _MS_PER_H for columns in parts)


def _truth(
    told: Plant, seed: int, parts: list[RecordColumns], books: list[DayBook]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return per day what truly came, what the sensors saw, and the uncertainty that the drawn errors justify [Wh]."""
    cuts = np.array([*(book.start_ms for book in books), books[-1].end_ms], np.int64)
    volts, amps = (instruments_of(told, seed)[channel] for channel in PAIRS["charge"])
    found = np.zeros((4, len(books)))
    for columns in parts:
        day = np.searchsorted(cuts, columns.end_ms, "left") - 1
        hours = columns.span_ms / _MS_PER_H
        v, a = columns.true["battery_v"], columns.true["charge_a"]
        shown = (volts.gain * v + volts.offset) * (amps.gain * a + amps.offset)
        for row, column in enumerate(
            (np.maximum(v * a, 0.0), np.maximum(shown, 0.0), v, np.ones(v.size)),
        ):
            found[row] += np.bincount(day, column, len(books)) * hours
    # The spreads from which the twin draws: see `twin.sensing`.
    gain_u = math.hypot(0.003, 0.0005)
    ideal = np.sqrt(
        (gain_u * found[0]) ** 2
        + (4e-6 / 0.0015 * found[2]) ** 2
        + (0.002 * found[0] * found[3] / np.maximum(found[2], 1e-9)) ** 2
    )
    return found[0], found[1], ideal


def _real_road(folder: Path, *, quick: bool) -> Rows:
    """Book some days record by record, as the service does, and compare with what the sensors saw."""
    worst = 0.0
    for seed in (7,) if quick else (7, 8, 9):
        run_ = Year(_TOLD, kind="usual", seed=seed, days=1 if quick else 3, first_day=dt.date(2025, 3, 3))
        path = folder / f"road-{seed}.db"
        parts = list(run_.records())
        with Past(path, _TOLD, run_.node, run_.recorder, seed) as past:
            for columns in parts:
                past.add(columns)
        books = day_books(LedgerReader(path), _SITE, _TOLD, now_ms=1 << 50)
        _, seen, _ = _truth(_TOLD, seed, parts, books)
        for book, wh in zip(books, seen, strict=True):
            worst = max(worst, 100 * abs((book.energy_wh or 0.0) - wh) / max(wh, _LEAST_WH))
    return {"arithmetic_error_booked_pct_max": (worst, "%")}


# Time.


def _times(
    folder: Path, stretches: tuple[tuple[str, dt.date, int], ...], *, worse: float
) -> tuple[float, float]:
    """Return the largest error of any state on any day [% of it]: from full records, and from roll-ups."""
    told = dataclasses.replace(_TOLD, nodes=(Node(id="wheel", record_s=10, parked_pin=22),))
    errors = {True: 0.0, False: 0.0}
    for number, (kind, first_day, days) in enumerate(stretches):
        run_ = Year(told, kind=kind, seed=3, days=days, first_day=first_day, worse=worse)
        path = folder / f"time-{number}-{worse:g}.db"
        parts: list[RecordColumns] = []
        with Rolled(path, told, run_.node, raw=True) as out:
            for columns in run_.records():
                out.add(columns)
                parts.append(columns)
        reader = LedgerReader(path)
        rows = reader.days(_SITE)
        cuts = [*(row.start_ms for row in rows), rows[-1].end_ms]
        true = _true_states(told, parts, cuts)
        for fine, largest in errors.items():
            for place, ledger in enumerate(time_ledgers(reader, _SITE, told, cuts, fine=fine)):
                length = ledger.to_ms - ledger.from_ms
                if sum(ledger.ms.values()) != length:
                    msg = f"the states of {rows[place].day} sum to {sum(ledger.ms.values())} ms of {length}"
                    raise ValueError(msg)
                off = max(abs(ledger.ms[state] - true[row, place]) for row, state in enumerate(STATES))
                errors[fine] = max(errors[fine], largest, 100 * float(off) / length)
        path.unlink()
    return errors[True], errors[False]


def _true_states(told: Plant, parts: list[RecordColumns], cuts_ms: list[int]) -> NDArray[np.float64]:
    """Return how long the plant truly was in each state, by period [ms]; what no record covers is not measured."""
    limits = limits_of(told)
    cuts = np.array(cuts_ms, np.int64)
    found = np.zeros((len(STATES), len(cuts) - 1))
    for columns in parts:
        rpm, amps = columns.true["wheel_rpm"], columns.true["charge_a"]
        # The states as they are defined: charging from the limit on until below half of it, diverting above 1 W.
        charging = switched(amps >= limits.charging_a, 2 * amps < limits.charging_a, at_first=False)
        full = columns.truth["dump_w"] > 1.0
        turning = rpm > 0
        parked = np.array([columns.state[k] == 4 for k in range(columns.size)])
        above = turning & (charging | (rpm >= limits.cutin_rpm))
        state = np.full(columns.size, STATES.index("slow"))
        state[~turning] = STATES.index("stopped")
        state[above] = STATES.index("idling")
        state[turning & charging] = STATES.index("charging")
        state[above & full] = STATES.index("curtailed")
        state[parked] = STATES.index("parked")
        period = np.searchsorted(cuts, columns.end_ms, "left") - 1
        for row in range(len(STATES)):
            found[row] += np.bincount(period[state == row], minlength=len(cuts) - 1) * columns.span_ms
    found[STATES.index("unmeasured")] += np.diff(cuts) - found.sum(axis=0)
    return found


def _stops(folder: Path, *, quick: bool) -> Rows:
    """Play stops on the dynamic twin, 20 frames a second, and date them from the records alone."""
    errors: list[float] = []
    missed = 0
    for name, flows in _STOPS[:1] if quick else _STOPS:
        for flow in flows[3:4] if quick else flows:
            scenario = dataclasses.replace(find(name), flow_l_s=flow, minutes=2.5)
            true_ms, found = _play(folder / f"{name}-{flow}.db", scenario)
            near = [stop for stop in found if abs(stop - true_ms) < 30_000]
            if len(near) != 1 or len(found) != 1:
                missed += 1
            else:
                errors.append((near[0] - true_ms) / 1000)
    return {
        "stops_played": (float(len(errors) + missed), "stops"),
        "stops_missed_or_doubled": (float(missed), "stops"),
        "stops_within_1s_pct": (100 * sum(abs(e) <= 1 for e in errors) / max(len(errors) + missed, 1), "%"),
        "stop_dating_error_s_max": (max((abs(e) for e in errors), default=math.inf), "s"),
    }


def _play(path: Path, scenario: Scenario) -> tuple[int, list[int]]:
    """Return when the last magnet passed, and when the time ledger says that the wheel stopped [Unix ms]."""
    start_ms = round(scenario.begins.timestamp() * 1000)
    node = NodeModel(_TOLD, "wheel", journal="a" * 16, start_ms=start_ms)
    now_us, last_us = 0, 0
    records = []
    for happened in engine_of(scenario, _TOLD).frames():
        if happened.edges_us:
            last_us = now_us + happened.edges_us[-1]
        now_us += happened.span_us
        said = node.frame(happened.span_us, happened.edges_us, happened.shown, parked=happened.parked)
        if said.record is not None:
            records.append(said.record)
    end_ms = start_ms + now_us // 1000
    with Ledger(path, start_ms) as ledger, ledger.transaction() as db:
        keeper = Bookkeeper(db, _SITE, _TOLD.site.time_zone)
        keeper.records("wheel", Sent("a" * 16, 0, records), "t", end_ms)
        keeper.flush()
    (found,) = time_ledgers(LedgerReader(path), _SITE, _TOLD, [start_ms, end_ms], fine=True)
    return start_ms + last_us // 1000, [stop.at_ms for stop in found.stops or ()]
