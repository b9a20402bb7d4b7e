"""Seasons of the fast twin as ten-minute rows with the truth beside them, for the comparisons with the truth."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from wheelpit.accounts.tenminutes import CHANNELS, STEP_MS, TOTALS, DaySpan, TenMinutes, empty_rows
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import (
    LinearSensor,
    LoadCellSensor,
    Node,
    NotchWeir,
    PhaseSensor,
    ThermometerSensor,
)
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.orders import NONE, Orders
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.season import Season

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from wheelpit.plant import Plant
    from wheelpit.plant.description import Sensor
    from wheelpit.twin.assumptions import Assumptions
    from wheelpit.twin.fast.orders import Outage
    from wheelpit.twin.season import Source

DEMO: Final = load_plant(demo_plant_path())
FIRST_DAY: Final = dt.date(2025, 1, 1)
DAY_S: Final = 86_400.0
ROWS_A_DAY: Final = 144
_MONTH_D: Final = 30
_TRUTH: Final = ("given_w", "flow_l_s", "stream_l_s", "dump_w")


def fitted(plant: Plant, *channels: str, record_s: int = 60) -> Plant:
    """Return a plant with more sensors: any of stage_m (with a weir), shaft_nm, alternator_rpm, water_degc."""
    kinds: dict[str, Sensor] = {
        "stage_m": LinearSensor(
            channel="stage_m", node="wheel", kind="linear", pin=28, mv_per_unit=10_000.0, at="headrace"
        ),
        "shaft_nm": LoadCellSensor(
            channel="shaft_nm", node="wheel", kind="load-cell", data_pin=18, clock_pin=19, codes_per_nm=20_000.0
        ),
        "alternator_rpm": PhaseSensor(channel="alternator_rpm", node="wheel", kind="phase", pin=16),
        "water_degc": ThermometerSensor(channel="water_degc", node="wheel", kind="thermometer", pin=17),
    }  # fmt: skip
    weir = NotchWeir(kind="v-notch", notch_deg=90.0, crest_height_m=0.5, channel_width_m=1.2)
    return dataclasses.replace(
        plant,
        sensors=(*plant.sensors, *(kinds[name] for name in channels)),
        weir=weir if "stage_m" in channels else plant.weir,
        nodes=(Node(id="wheel", record_s=record_s, parked_pin=22),),
    )


@dataclass(frozen=True, slots=True)
class Run:
    """A run: what the monitor gets, and what truly happened, row by row."""

    ten: TenMinutes
    truth: dict[str, NDArray[np.float64]]


def run(
    told: Plant,
    days: int,
    *,
    true: Plant | None = None,
    assumptions: Assumptions = USUAL,
    orders: Orders = NONE,
    outages: Iterable[Outage] = (),
    source: Source | None = None,
    seed: int = 1,
    sensor_seed: int | None = None,
    median_l_s: float = 6.0,
    habits: bool = True,
    worse: float = 1.0,
) -> Run:
    """Run a plant for so many days and return its rows with the truth.

    Args:
        told: The plant as described, by which the node is set up.
        days: How many days.
        true: The plant as it is; the described one where it is None.
        assumptions: The twin's own figures.
        orders: Faults and the like.
        outages: When the node is dark.
        source: The stream.
        seed: Of weather and loads.
        sensor_seed: Of the sensors' errors; `seed` where it is None.
        median_l_s: Of the stream, where no source is given.
        habits: Whether a household takes something.
        worse: The sensors' errors as a multiple of the usual ones.

    """
    recorder = Recorder(
        told,
        "wheel",
        seed=seed if sensor_seed is None else sensor_seed,
        first_day=FIRST_DAY,
        outages=outages,
        worse=worse,
    )
    twin = FastTwin(
        told if true is None else true,
        first_day=FIRST_DAY,
        seed=seed,
        orders=orders,
        source=Season(seed, FIRST_DAY, median_l_s=median_l_s) if source is None else source,
        habits=Habits() if habits else None,
        assumptions=assumptions,
        step_s=float(recorder.record_s),
    )
    rows = days * ROWS_A_DAY
    columns: dict[str, Any] = {name: np.zeros(rows) for name in TOTALS}
    sums = {name: np.zeros(rows) for name in CHANNELS}
    counts = {name: np.zeros(rows) for name in CHANNELS}
    truth = {name: np.zeros(rows) for name in _TRUTH}
    first_ms = round(dt.datetime.combine(FIRST_DAY, dt.time(), dt.UTC).timestamp() * 1000)
    per_row = round(STEP_MS / 1000 / recorder.record_s)
    before: dict[str, Any] = {}
    boot = 0
    for begin in range(0, days, _MONTH_D):
        part = min(_MONTH_D, days - begin)
        course = twin.run(part * DAY_S)
        here = slice(begin * ROWS_A_DAY, (begin + part) * ROWS_A_DAY)
        for name in _TRUTH:
            truth[name][here] = course.truth[name].reshape(-1, per_row).mean(axis=1)
        for found in recorder.record(course):
            at = (found.end_ms - 1 - first_ms) // STEP_MS
            for name in CHANNELS:
                if name in found.mean:
                    fine = np.isfinite(found.mean[name])
                    sums[name] += np.bincount(at[fine], found.mean[name][fine], minlength=rows)
                    counts[name] += np.bincount(at[fine], minlength=rows)
            for name in TOTALS:
                if name in found.total:
                    carried = before.get(name, 0) if found.boot == boot else 0
                    gained = np.diff(found.total[name], prepend=carried)
                    columns[name] += np.bincount(at, gained, minlength=rows)
            before = {name: column[-1] for name, column in found.total.items()}
            boot = found.boot
    table = empty_rows(rows)
    for name in CHANNELS:
        with np.errstate(invalid="ignore", divide="ignore"):
            table[name] = (sums[name] / counts[name]).astype(np.float32)
    for name in TOTALS:
        table[name] = columns[name].astype(np.float32)
    spans = tuple(
        DaySpan(FIRST_DAY + dt.timedelta(days=day), day * ROWS_A_DAY, (day + 1) * ROWS_A_DAY)
        for day in range(days)
    )
    return Run(TenMinutes(first_ms + STEP_MS * np.arange(rows, dtype=np.int64), table, spans), truth)
