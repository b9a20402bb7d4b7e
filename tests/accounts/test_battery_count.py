"""The charge is counted from one sure point to the next, and how unsure it is grows as it should."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from wheelpit.accounts.acid import acid_of
from wheelpit.accounts.battery import account_by_voltage, account_of
from wheelpit.accounts.battery_count import Counter
from wheelpit.accounts.battery_rows import BatteryRows, Beliefs, Fix, beliefs_of
from wheelpit.accounts.battery_steps import resistance_of_steps
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.store.logbook import HYDROMETER, Entry

if TYPE_CHECKING:
    from wheelpit.plant import Plant

_STEP_MS = 600_000
_DEMO = load_plant(demo_plant_path())
_H = 3_600_000
_BELIEFS = Beliefs(capacity_ah=200.0, self_per_day=0.0)


def history(*parts: tuple[float, float, float], begin_ms: int = 0) -> BatteryRows:
    """Return rows of parts, each of hours, volts, and amperes into the battery."""
    volts = np.concatenate([np.full(round(6 * hours), volt) for hours, volt, _ in parts])
    amps = np.concatenate([np.full(round(6 * hours), amp) for hours, _, amp in parts])
    start = begin_ms + _STEP_MS * np.arange(volts.size, dtype=np.int64)
    in_ah, out_ah = np.maximum(amps, 0) / 6, np.maximum(-amps, 0) / 6
    return BatteryRows(
        start, start + _STEP_MS, volts, in_ah, out_ah, in_ah * volts, out_ah * volts,
        np.full(volts.size, _STEP_MS, np.int64), np.full(volts.size, 25.0),
    )  # fmt: skip


_FULL = (4.0, 14.4, 1.0)


def lithium() -> Plant:
    return dataclasses.replace(
        _DEMO,
        battery=dataclasses.replace(_DEMO.battery, chemistry="lfp"),
        controller=dataclasses.replace(_DEMO.controller, v_per_degc=0.0),
    )


def test_before_anything_sure_nothing_is_told() -> None:
    course = Counter(_DEMO, _BELIEFS).count(history((24, 12.6, -3.0)))
    assert np.isnan(course.share).all()
    assert course.last_full_ms is None


def test_absorption_held_until_the_tail_is_full_and_then_it_counts_down() -> None:
    course = Counter(_DEMO, _BELIEFS).count(history((2, 13.5, 8.0), _FULL, (10, 12.4, -10.0)))
    assert len(course.fulls) == 1
    assert course.last_full_ms == 6 * _H
    assert course.share[-1] == pytest.approx(0.5)
    # Half of the capacity, known to 8 %, beside the 2.5 % of "full".
    assert course.u[-1] == pytest.approx(np.hypot(0.5 * 0.08, 0.025), rel=0.05)


def test_a_large_current_at_absorption_is_not_full() -> None:
    course = Counter(_DEMO, _BELIEFS).count(history((6, 14.4, 8.0)))
    assert not course.fulls


def test_a_bank_that_was_long_ago_full_is_told_less_surely_every_day() -> None:
    course = Counter(_DEMO, _BELIEFS).count(history(_FULL, *[(5, 12.4, -4.0), (5, 13.2, 4.2)] * 60))
    at_full = 24
    weeks = course.u[at_full :: 7 * 144]
    assert (np.diff(weeks) > 0).all()
    assert weeks[-1] > 2 * weeks[0]


def test_time_that_was_not_measured_widens_it_at_once() -> None:
    told = history(_FULL, (10, 12.4, -5.0))
    gone = dataclasses.replace(
        told, valid_ms=np.where(np.arange(told.size) >= 54, 0, told.valid_ms), out_ah=np.where(np.arange(told.size) >= 54, 0.0, told.out_ah)
    )  # fmt: skip
    measured = Counter(_DEMO, _BELIEFS).count(told)
    dark = Counter(_DEMO, _BELIEFS).count(gone)
    assert dark.u[-1] > 1.2 * measured.u[-1]
    low, high = dark.share[-1] - 1.96 * dark.u[-1], dark.share[-1] + 1.96 * dark.u[-1]
    assert low <= measured.share[-1] <= high


def test_rows_that_are_missing_count_as_not_measured() -> None:
    first, later = history(_FULL, (1, 12.5, -5.0)), history((1, 12.4, -5.0), begin_ms=40 * _H)
    joined = BatteryRows(
        *(np.concatenate(pair) for pair in zip(*(
            [getattr(rows, field.name) for field in dataclasses.fields(rows)] for rows in (first, later)
        ), strict=True))
    )  # fmt: skip
    course = Counter(_DEMO, _BELIEFS).count(joined)
    assert course.u[-1] > course.u[first.size - 1] + 0.05


def test_a_hydrometer_is_a_sure_point() -> None:
    rows = history((24, 12.4, -2.0))
    course = Counter(_DEMO, _BELIEFS).count(rows, [Fix(12 * _H, 0.70, 0.03)])
    assert np.isnan(course.share[:71]).all()
    assert course.share[-1] == pytest.approx(0.70 - 12 * 2 / 200, abs=0.002)
    assert course.sure_ms[-1] == 12 * _H


def test_a_rest_voltage_tells_little_and_only_at_rest() -> None:
    course = Counter(_DEMO, _BELIEFS).count(history((3, 12.24, 0.0)))
    assert not course.rests
    course = Counter(_DEMO, _BELIEFS).count(history((6, 12.24, 0.2)))
    assert course.share[-1] == pytest.approx(0.5, abs=0.01)
    assert course.u[-1] >= 0.09
    assert not Counter(_DEMO, _BELIEFS).count(history((48, 12.24, -2.5))).rests


def test_lithium_on_its_plateau_is_not_read() -> None:
    plant = lithium()
    course = Counter(plant, beliefs_of(plant)).count(history((48, 13.1, 0.0)))
    assert course.rests
    assert np.isnan(course.share).all()


def test_efficiency_is_learned_from_full_to_full_and_capacity_from_full_to_empty() -> None:
    cycle = [_FULL, (8, 12.4, -10.0), (16.7, 13.4, 5.0)]
    course = Counter(_DEMO, dataclasses.replace(_BELIEFS, efficiency=0.92)).count(history(*cycle * 6, _FULL))
    assert course.cycles_learned >= 5
    # 80 Ah out; 83.5 Ah in below the gassing voltage and 4 Ah, of which four fifths count, above.
    assert course.efficiency == pytest.approx((80 - 0.8 * 3.8) / 83.5, abs=0.015)
    emptied = Counter(_DEMO, _BELIEFS).count(history(_FULL, (16, 12.0, -10.0), (0.5, 10.8, -9.0)))
    assert emptied.capacities_learned == 1
    assert 165 < emptied.capacity_ah < 200
    assert emptied.share[-1] < 0.05


def account(rows: BatteryRows, plant: Plant = _DEMO, **more: Any) -> Any:
    to_ms = int(rows.end_ms[-1])
    return account_of(rows, plant, _BELIEFS, from_ms=int(rows.start_ms[0]), to_ms=to_ms, **more)


def test_the_account_says_when_it_was_full_and_how_long_it_lasts() -> None:
    found = account(history(_FULL, (5, 12.4, -10.0)))
    assert found.charge_pct.value == pytest.approx(75.0)
    assert found.full_text(found.at_ms + 34 * 86_400_000) == "last seen full 34 days ago"
    # 25 % of 200 Ah at the 20 hour current.
    assert found.hours_left.value == pytest.approx(5.0, rel=0.01)
    assert -60 < found.freezing_degc < -25
    assert account(history(_FULL, (5, 13.4, 3.0))).hours_left is None


def test_energy_efficiency_counts_what_is_stored_more() -> None:
    found = account(history(_FULL, (10, 12.0, -10.0), (20, 13.2, 5.0)))
    assert found.energy_efficiency is not None
    out, into = 10 * 10 * 12.0, 20 * 5 * 13.2 + 4 * 14.4
    assert found.energy_efficiency.value == pytest.approx(out / into, abs=0.09)
    # Twice as much came out as went in: it ended emptier, which is no efficiency of 1.8.
    emptier = account(history(_FULL, (10, 12.0, -10.0), (10, 13.2, 5.0)))
    assert 0.75 < emptier.energy_efficiency.value < 1.0


def test_charge_a_alone_gives_no_percentage() -> None:
    rows = history((30, 13.6, 3.0), (3, 14.4, 4.0), (20, 12.8, 0.0))
    found = account_by_voltage(rows, _DEMO, _BELIEFS, from_ms=0, to_ms=int(rows.end_ms[-1]))
    assert found.charge_pct is None
    assert found.hours_left is None
    assert found.charge_efficiency is None
    assert found.full_ms == 33 * _H
    assert found.full_text(found.at_ms) == "last seen full 20 hours ago"
    assert any("no state of charge" in note for note in found.notes)


def entry(*gravities: float, degc: float | None = 25.0) -> Entry:
    return Entry(
        site="ghyll", kind=HYDROMETER, from_ms=5, gravities=gravities, degc=degc, number=1, written_ms=5
    )


def test_cells_that_differ_are_told_apart() -> None:
    assert acid_of(entry(1.260, 1.265, 1.262)).advice == ""
    assert "equalise" in acid_of(entry(1.260, 1.265, 1.247)).advice
    worn = acid_of(entry(1.260, 1.230, 1.265))
    assert worn.weakest == 2
    assert "replace" in worn.advice
    assert acid_of(entry(1.265, degc=None)).charge_pct.note
    # Cold acid reads high.
    assert acid_of(entry(1.265, degc=0.0)).gravities[0] == pytest.approx(1.250)


def test_resistance_from_steps_leaves_the_record_with_the_step_out() -> None:
    on = np.tile(np.r_[np.zeros(6), -6.0, np.full(6, -12.0), -3.0], 8)
    volts = 12.7 + 0.009 * on
    together = np.ones(on.size, bool)
    found = resistance_of_steps(volts, on, together, 5.0)
    assert found is not None
    assert found.value == pytest.approx(0.009, rel=1e-6)
    assert resistance_of_steps(volts, on, np.zeros(on.size, bool), 5.0) is None
    assert resistance_of_steps(volts, 0.1 * on, together, 5.0) is None
