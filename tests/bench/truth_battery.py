"""The state of charge against the twin's, whose truth is known.

The estimator's figures differ from the twin's on purpose: its rest voltages are another table, its capacity is up to a
tenth off, its efficiency and self-discharge are others. The household lives from the bank, in wet and in dry years, so
that some weeks end full and some months do not.

    .venv/bin/python tests/bench/truth_battery.py [--quick]
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from wheelpit.accounts.battery import account_by_voltage
from wheelpit.accounts.battery_count import Counter
from wheelpit.accounts.battery_rows import BatteryRows, beliefs_of
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import Node
from wheelpit.twin.fast.course import FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.recorder import Recorder
from wheelpit.twin.season import Season
from wheelpit.twin.variety import variant

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from wheelpit.plant import Plant
    from wheelpit.twin.variety import Variant

    Say = Callable[[str], None]
    Rows = dict[str, tuple[float, str]]
    Floats = NDArray[np.float64]

FIRST_DAY: Final = dt.date(2025, 1, 1)
DAY_S: Final = 86_400.0
_PART_D: Final = 30
_STEP_MS: Final = 600_000
_RECORD_S: Final = 60
_FRESH_MS: Final = 21 * 86_400_000
_COVERAGE: Final = 1.96
DEMO: Final = dataclasses.replace(
    load_plant(demo_plant_path()), nodes=(Node(id="wheel", record_s=_RECORD_S),)
)


def history(
    told: Plant, made: Variant, days: int, *, seed: int, median_l_s: float
) -> tuple[BatteryRows, Floats]:
    """Return what a node's records say of a bank, as ten-minute rows, and the true state of charge at their ends."""
    recorder = Recorder(told, "wheel", seed=made.sensor_seed, first_day=FIRST_DAY)
    twin = FastTwin(
        made.plant, first_day=FIRST_DAY, seed=seed, source=Season(seed, FIRST_DAY, median_l_s=median_l_s),
        habits=Habits(), assumptions=made.assumptions, step_s=float(_RECORD_S),
    )  # fmt: skip
    per_row = _STEP_MS // 1000 // _RECORD_S
    parts: dict[str, list[Any]] = {}
    before: dict[str, int] = {}

    def add(name: str, values: Any) -> None:
        parts.setdefault(name, []).append(values)

    for begin in range(0, days, _PART_D):
        course = twin.run(min(_PART_D, days - begin) * DAY_S)
        for found in recorder.record(course):
            add("end_ms", found.end_ms[per_row - 1 :: per_row])
            for name in ("battery_v", "battery_degc"):
                add(name, found.mean[name].reshape(-1, per_row).mean(axis=1))
            for name in (
                "battery_in_mas",
                "battery_out_mas",
                "battery_in_mwh",
                "battery_out_mwh",
                "battery_valid_ms",
            ):
                add(name, np.diff(found.total[name][per_row - 1 :: per_row], prepend=before.get(name, 0)))
                before[name] = int(found.total[name][-1])
            add("true", found.truth["state_of_charge"][per_row - 1 :: per_row])
    columns = {name: np.concatenate(values) for name, values in parts.items()}
    rows = BatteryRows(
        start_ms=columns["end_ms"] - _STEP_MS,
        end_ms=columns["end_ms"],
        volts=columns["battery_v"],
        in_ah=columns["battery_in_mas"] / 3.6e6,
        out_ah=columns["battery_out_mas"] / 3.6e6,
        in_wh=columns["battery_in_mwh"] / 1000.0,
        out_wh=columns["battery_out_mwh"] / 1000.0,
        valid_ms=columns["battery_valid_ms"],
        degc=columns["battery_degc"],
    )
    return rows, columns["true"]


def charge(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as every part of the comparison
    """Compare the counted state of charge with the true one over plants and years."""
    cases = [(number, median) for number in range(1, 2 if quick else 9) for median in (2.2, 6.0)]
    days = 200 if quick else 365
    fresh: list[Floats] = []
    inside: list[NDArray[np.bool_]] = []
    old: list[Floats] = []
    for number, median in cases:
        made = variant(DEMO, number)
        rows, true = history(DEMO, made, days, seed=number, median_l_s=median)
        rng = np.random.default_rng([number, 3])
        usual = beliefs_of(DEMO)
        true_ah = DEMO.battery.capacity_ah * made.assumptions.true_capacity
        beliefs = dataclasses.replace(
            usual,
            capacity_ah=true_ah * (1 + rng.uniform(-0.10, 0.10)),
            efficiency=min(usual.efficiency + rng.uniform(-0.04, 0.04), 0.995),
            self_per_day=made.assumptions.self_discharge_per_day * rng.choice((0.4, 1.8)),
        )
        course = Counter(DEMO, beliefs).count(rows)
        known = np.isfinite(course.share)
        off = np.where(known, course.share - true, np.nan)
        since = rows.end_ms - course.sure_ms
        here = known & (since <= _FRESH_MS)
        late = known & (since > _FRESH_MS)
        band = np.abs(off) <= _COVERAGE * course.u
        fresh.append(off[here])
        old.append(off[late])
        inside.append(band[late])
        say(
            f"  plant {number}, {median:g} L/s: known {100 * known.mean():.0f} %, full seen {len(course.fulls)} times, "
            f"RMS {100 * _rms(off[here]):.1f} points within 21 d (band holds {_pct(band[here]):.0f} %), "
            f"{100 * _rms(off[late]):.1f} after ({late.mean() * days:.0f} d, band {_pct(band[late]):.0f} %); "
            f"efficiency {course.efficiency:.3f} +- {course.efficiency_u:.3f} from {course.cycles_learned} cycles"
        )
    return {
        "soc_rms_points": (100 * _rms(np.concatenate(fresh)), "points"),
        "soc_band_late_pct": (_pct(np.concatenate(inside)), "% inside the band after 21 d"),
    }


def charge_alone(say: Say) -> Rows:
    """Count the percentages that are told of a bank of which only what the controller gives is measured."""
    made = variant(DEMO, 3)
    rows, _ = history(DEMO, made, 40, seed=3, median_l_s=6.0)
    alone = dataclasses.replace(
        DEMO, sensors=tuple(sensor for sensor in DEMO.sensors if sensor.channel != "battery_a")
    )
    to_ms = int(rows.end_ms[-1])
    account = account_by_voltage(rows, alone, beliefs_of(alone), from_ms=int(rows.start_ms[0]), to_ms=to_ms)
    told = sum(
        figure is not None
        for figure in (
            account.charge_pct,
            account.hours_left,
            account.energy_efficiency,
            account.charge_efficiency,
        )
    )
    say(f"  charge_a alone: {told} figures that need the battery's current; {account.full_text(to_ms)}")
    return {"soc_told_by_charge_alone": (float(told), "figures")}


def _pct(holds: NDArray[np.bool_]) -> float:
    return 100 * float(holds.mean()) if holds.size else float("nan")


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values * values))) if values.size else float("nan")


def run(quick: bool, say: Say) -> Rows:  # noqa: FBT001 - as every part of the comparison
    """Return all figures of this part, by key, with their unit."""
    return charge(quick, say) | charge_alone(say)


if __name__ == "__main__":

    def _say(text: str) -> None:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    for key, (value, unit) in run("--quick" in sys.argv, _say).items():
        _say(f"{key:32}{value:10.2f} {unit}")
