"""Every second in exactly one state, and stops dated to the last magnet."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from wheelpit.accounts.timeledger import TimeLedger, time_ledger, time_ledgers
from wheelpit.accounts.timestates import GUESSED, NO_CHARGE, STATES, Slices, assign, notes_of
from wheelpit.cli import main
from wheelpit.contract.messages import Record
from wheelpit.contract.names import SEQ_PER_BOOT, WheelState
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import Controller
from wheelpit.store.booking import Sent
from wheelpit.store.days import LocalDays

if TYPE_CHECKING:
    from wheelpit.accounts.stops import Stop

S = 1000
HOUR = 3_600_000
TEN_S = 10_000
JUNE_1 = LocalDays("Europe/London").bounds(date(2026, 6, 1))[0]
PLANT = load_plant(demo_plant_path())


class Node:
    """Cuts records as a node does; each says how its time was spent."""

    def __init__(self, books: Any) -> None:
        self.books, self.n, self.up_ms, self.sent = books, 0, 0, 0
        self.totals: dict[str, int] = {}
        self.at_ms = JUNE_1

    def cut(
        self,
        state: WheelState,
        span_ms: int = TEN_S,
        *,
        rpm: float = 10.0,
        mean_rpm: float | None = None,
        dump_a: float = 0.0,
        **ms: int,
    ) -> None:
        told = {
            "turning_ms": span_ms,
            "above_cutin_ms": 0,
            "charging_ms": 0,
            "stopped_ms": 0,
            "parked_ms": 0,
        } | ms
        told |= {"wheel_valid_ms": span_ms, "charge_valid_ms": ms.get("charge_valid_ms", span_ms)}
        told.setdefault("wheel_edges", 0)
        for name, amount in told.items():
            self.totals[name] = self.totals.get(name, 0) + amount
        self.n, self.up_ms, self.at_ms = self.n + 1, self.up_ms + span_ms, self.at_ms + span_ms
        seq = SEQ_PER_BOOT + self.n
        mean: dict[str, float | None] = {
            "wheel_rpm": rpm,
            "dump_a": dump_a,
            "charge_a": 5.0,
            "battery_v": 13.0,
        }
        record = Record(
            seq=seq, first=seq, up_ms=self.up_ms, dur_ms=span_ms, span_ms=span_ms, end_ms=self.at_ms,
            clock="host", state=state, mean=mean | {"wheel_rpm": rpm if mean_rpm is None else mean_rpm}, min=mean, max=mean, total=dict(self.totals),
        )  # fmt: skip
        with self.books.ledger.transaction():
            self.books.keeper.records("wheel", Sent("0" * 16, self.sent, [record]), "t", self.at_ms)
            self.books.keeper.flush()
        self.sent = seq

    def charging(self, records: int = 1, **how: Any) -> None:
        for _ in range(records):
            self.cut("turning", charging_ms=TEN_S, above_cutin_ms=TEN_S, wheel_edges=7, **how)


def seconds(ledger: TimeLedger) -> dict[str, float]:
    assert sum(ledger.ms.values()) == ledger.to_ms - ledger.from_ms
    return {state: ms / S for state, ms in ledger.ms.items() if ms}


def test_each_record_s_time_goes_where_its_totals_say(books: Any) -> None:
    node = Node(books)
    node.charging(6)
    node.charging(3, dump_a=2.0)  # full: what comes is diverted
    node.cut("turning", above_cutin_ms=TEN_S)
    node.cut("turning", above_cutin_ms=4_000, charging_ms=7_000)  # charges on below cut-in, down to cut-out
    node.cut("slow")
    node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    node.cut("parked", turning_ms=0, parked_ms=TEN_S)
    found = time_ledger(books.reader, books.site, PLANT, JUNE_1, JUNE_1 + HOUR)
    assert found.fine
    assert seconds(found) == {
        "charging": 67.0, "curtailed": 30.0, "idling": 10.0, "slow": 13.0, "stopped": 10.0, "parked": 10.0,
        "unmeasured": 3600.0 - 140.0,
    }  # fmt: skip
    assert sum(found.shares.values()) == pytest.approx(1.0)


def test_a_dead_pickup_does_not_make_a_charging_wheel_stand(books: Any) -> None:
    node = Node(books)
    node.cut("stopped", turning_ms=0, stopped_ms=TEN_S, charging_ms=TEN_S)
    found = time_ledger(books.reader, books.site, PLANT, JUNE_1, JUNE_1 + TEN_S)
    assert seconds(found) == {"charging": 10.0}


def test_above_cut_in_without_a_current_measured_is_not_known(books: Any) -> None:
    node = Node(books)
    node.cut("turning", above_cutin_ms=TEN_S, charge_valid_ms=4_000)
    found = time_ledger(books.reader, books.site, PLANT, JUNE_1, JUNE_1 + TEN_S)
    assert seconds(found) == {"idling": 4.0, "unmeasured": 6.0}


def test_periods_side_by_side_share_what_lies_over_their_cut(books: Any) -> None:
    node = Node(books)
    node.at_ms = JUNE_1 + 5_000
    node.charging(4)
    cuts = [JUNE_1, JUNE_1 + 10_000, JUNE_1 + 12_345, JUNE_1 + 60_000]
    found = time_ledgers(books.reader, books.site, PLANT, cuts)
    assert [ledger.ms["charging"] for ledger in found] == [5_000, 2_345, 32_655]
    for ledger in found:
        seconds(ledger)


def test_roll_ups_tell_the_same_where_states_last(books: Any) -> None:
    node = Node(books)
    node.charging(60)
    for _ in range(60):
        node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    fine, rough = (
        time_ledger(books.reader, books.site, PLANT, JUNE_1, JUNE_1 + HOUR, fine=fine)
        for fine in (True, False)
    )
    assert fine.ms == rough.ms
    assert rough.stops is None
    assert not rough.fine


def test_a_series_controller_that_tapers_is_held_back_and_that_is_a_guess() -> None:
    controller = Controller(topology="series", absorption_v=14.4, float_v=13.4, v_per_degc=-0.024)
    series = replace(
        PLANT, controller=controller, sensors=tuple(s for s in PLANT.sensors if s.channel != "dump_a")
    )
    n = np.full(3, TEN_S)
    slices = Slices(
        n,
        dict.fromkeys(
            ("turning_ms", "above_cutin_ms", "charging_ms", "charge_valid_ms", "wheel_valid_ms"), n
        ),
        {
            "battery_v": np.array([13.0, 13.4, 13.4]),
            "charge_a": np.array([5.0, 1.0, 5.3]),
            "wheel_rpm": np.full(3, 10.4),
            "battery_degc": np.full(3, 25.0),
        },
    )
    states = assign(slices, series)
    assert states[STATES.index("curtailed")].tolist() == [0, TEN_S, 0]
    assert notes_of(series) == [GUESSED]
    less = replace(series, sensors=tuple(s for s in series.sensors if s.channel != "charge_a"))
    assert NO_CHARGE in notes_of(less)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 700_000)] * 8), min_size=1, max_size=20))
def test_whatever_a_node_counts_the_states_fill_the_time(rows: list[tuple[int, ...]]) -> None:
    names = (
        "turning_ms", "stopped_ms", "parked_ms", "above_cutin_ms", "charging_ms", "charge_valid_ms", "wheel_valid_ms",
    )  # fmt: skip
    columns = np.array(rows, np.int64).T
    slices = Slices(
        columns[0],
        dict(zip(names, columns[1:], strict=True)),
        {"dump_a": columns[2] / 1e5, "charge_a": columns[3] / 1e5},
    )
    states = assign(slices, PLANT)
    assert (states >= 0).all()
    assert (states.sum(axis=0) == columns[0]).all()


def stops(books: Any) -> tuple[Stop, ...]:
    found = time_ledger(books.reader, books.site, PLANT, JUNE_1, JUNE_1 + HOUR).stops
    assert found is not None
    return found


def test_a_sudden_stop_is_dated_one_slow_gap_before_the_node_said_slow(books: Any) -> None:
    """10 rpm, four magnets: gaps of 1.5 s. Slow below 6.5 rpm is said 2.31 s after the last one, stopped after 3.6 s."""
    node = Node(books)
    node.charging(3)
    last_ms = node.at_ms + 4_000
    node.cut("slow", 6_310, wheel_edges=3)
    node.cut("stopped", 1_290, turning_ms=1_290, stopped_ms=0)
    node.cut("stopped", 2_400, turning_ms=0, stopped_ms=2_400)
    for _ in range(4):
        node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    (stop,) = stops(books)
    assert stop.kind == "sudden"
    assert abs(stop.at_ms - last_ms) <= 200
    assert stop.told_ms - stop.at_ms == pytest.approx(3_600, abs=200)


def test_a_wheel_that_ran_down_is_dated_back_by_its_last_gaps(books: Any) -> None:
    node = Node(books)
    node.charging(3)
    node.cut("slow", 4_000, wheel_edges=2)
    node.cut("slow", 6_000, wheel_edges=3, rpm=6.0)
    node.cut("stopped", 10_000, turning_ms=10_000, stopped_ms=0, wheel_edges=1, rpm=4.0)
    node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    (stop,) = stops(books)
    assert stop.kind == "ran down"
    assert stop.told_ms - stop.at_ms == pytest.approx(2.4 * 15_000 / 4, abs=1)
    assert stop.u_ms >= 1_000


LN = math.log(2.4)


@pytest.mark.parametrize("begins_s", [0.5, 2.0, 3.5, 5.0, 7.0])
def test_a_running_down_wheel_is_dated_by_the_speeds_that_were_shown(books: Any, begins_s: float) -> None:
    """Gaps of 2, 2, 2 and 4 s: a turn of 10 s, 6 rpm, shown until 4 s after the last magnet, then 24 / t; sure at 9.6 s.

    The record that ends with the stop begins so many seconds after the last magnet.
    """
    node = Node(books)
    node.charging(3)
    node.cut("slow", 4_000, wheel_edges=2, rpm=7.5)
    last_ms = node.at_ms + 5_000
    falls_to = min(6.0, 24 / begins_s)
    node.cut("slow", round(5_000 + 1000 * begins_s), wheel_edges=2, rpm=falls_to)
    shown = 6 * max(4 - begins_s, 0.0) + 24 * (LN if begins_s < 4 else math.log(9.6 / begins_s))
    length_s = 9.6 - begins_s
    node.cut(
        "stopped", round(1000 * length_s), turning_ms=round(1000 * length_s), stopped_ms=0, mean_rpm=shown / length_s,
        rpm=falls_to,
    )  # fmt: skip
    (stop,) = stops(books)
    assert stop.kind == "ran down"
    assert abs(stop.at_ms - last_ms) <= 500
    assert stop.told_ms == last_ms + 9_600


def test_a_wheel_that_stood_before_or_was_parked_did_not_stop_here(books: Any) -> None:
    node = Node(books)
    for _ in range(2):
        node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    node.charging(1)
    node.cut("parked", turning_ms=0, parked_ms=TEN_S)
    node.cut("stopped", turning_ms=0, stopped_ms=TEN_S)
    assert stops(books) == ()


def test_the_command_prints_hours_and_json(books: Any) -> None:
    node = Node(books)
    node.charging(12)
    path = str(demo_plant_path())
    shown = CliRunner().invoke(main, ["hours", "--plant", path, "--from", "2026-06-01", "--to", "2026-06-01"])
    assert shown.exit_code == 0, shown.output
    assert shown.output.splitlines()[0].split() == [
        "hours", "charging", "held", "back", "idling", "slow", "stopped", "parked", "not", "measured", "stops",
    ]  # fmt: skip
    assert "0.03" in shown.output.splitlines()[1]
    told = json.loads(CliRunner().invoke(main, ["hours", "--plant", path, "--json"]).output)
    (day,) = told["days"]
    assert day["ms"]["charging"] == 120_000
    assert sum(day["ms"].values()) == day["to_ms"] - day["from_ms"]
    assert (
        "no day has records"
        in CliRunner().invoke(main, ["hours", "--plant", path, "--from", "2027-01-01"]).output
    )
