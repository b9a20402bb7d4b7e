"""Records of the fast twin: what a node would have sent, by the truth behind it."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from wheelpit.contract.names import PAIRS, TOTALS
from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.plant.description import Node
from wheelpit.plant.limits import limits_of
from wheelpit.twin.assumptions import USUAL
from wheelpit.twin.fast.course import Course, FastTwin
from wheelpit.twin.fast.household import Habits
from wheelpit.twin.fast.orders import Orders, Outage, Parked
from wheelpit.twin.fast.recorder import Recorder, RecordLengthError
from wheelpit.twin.fast.records import FAULTS, STATES, RecordColumns
from wheelpit.twin.faultbook import Episode
from wheelpit.twin.season import DailyFlow

DEMO = load_plant(demo_plant_path())
PARKS = dataclasses.replace(DEMO, nodes=(Node(id="wheel", parked_pin=14),))
DAY = dt.date(2025, 6, 1)
MIDNIGHT_MS = 1_748_736_000_000
HOUR_S = 3600.0


def course_of(
    *episodes: Episode, flow_l_s: float = 8.0, plant: Plant = DEMO, hours: float = 3, **orders: object
) -> Course:
    twin = FastTwin(
        plant,
        first_day=DAY,
        orders=Orders(faults=episodes, **orders),  # type: ignore[arg-type]
        source=DailyFlow([flow_l_s], air_degc=15.0),
        habits=Habits(),
        state_of_charge=0.8,
    )
    return twin.run(hours * HOUR_S)


def records_of(
    course: Course, *, plant: Plant = DEMO, worse: float = 1.0, outages: tuple[Outage, ...] = ()
) -> list[RecordColumns]:
    recorder = Recorder(plant, "wheel", seed=1, first_day=DAY, worse=worse, outages=outages)
    return list(recorder.record(course))


@pytest.fixture(scope="module")
def course() -> Course:
    return course_of()


def test_records_follow_each_other_on_whole_tens_of_seconds(course: Course) -> None:
    (records,) = records_of(course)
    assert records.size == course.size == 1080
    assert records.boot == 1
    assert records.first_n == 1
    assert records.end_ms[0] == MIDNIGHT_MS + 10_000
    assert set(np.diff(records.end_ms)) == {10_000}
    assert np.array_equal(records.end_ms - records.up_ms, np.full(1080, MIDNIGHT_MS))


def test_they_have_the_channels_and_totals_of_the_node(course: Course) -> None:
    (records,) = records_of(course)
    assert set(records.mean) == set(records.least) == set(records.most) == DEMO.channels
    assert list(records.total) == [name for name in TOTALS if name in records.total]
    missing = set(TOTALS) - set(records.total)
    assert missing == {"load_mwh", "load_valid_ms"}  # the plant has no load shunt


def test_sensors_without_error_show_the_truth_in_whole_steps(course: Course) -> None:
    (records,) = records_of(course, worse=0.0)
    for name, mean in records.mean.items():
        step = 0.01 if name.endswith("_degc") else 0.001
        assert np.abs(mean - course.channels[name]).max() <= step / 2 + 1e-9, name
        assert np.allclose(mean / step, np.rint(mean / step), atol=1e-6), name


def test_errors_of_sensors_are_as_declared_and_do_not_average_out() -> None:
    course = course_of(hours=6)
    shares = []
    for seed in range(40):
        recorder = Recorder(DEMO, "wheel", seed=seed, first_day=DAY)
        (records,) = recorder.record(course)
        shares.append(records.mean["charge_a"].mean() / course.channels["charge_a"].mean() - 1)
    # A shunt and its chip of 0.3 %, as a standard deviation.
    assert np.std(shares) == pytest.approx(0.003, rel=0.35)
    assert abs(np.mean(shares)) < 0.0015


def test_least_and_most_lie_about_the_mean(course: Course) -> None:
    (records,) = records_of(course)
    for name, mean in records.mean.items():
        assert (records.least[name] <= mean).all(), name
        assert (records.most[name] >= mean).all(), name
    spread = records.most["charge_a"] - records.least["charge_a"]
    # A hundred readings with 1 mA of noise and steps of 1.7 mA, and the wander of the stream.
    assert 0.005 < np.median(spread) < 0.05


def test_totals_only_rise_and_are_what_the_channels_say() -> None:
    (records,) = records_of(course_of(hours=24))
    for name, total in records.total.items():
        assert total.dtype == np.int64
        assert (np.diff(total) >= 0).all(), name
    hours = 24.0
    for pair, (volts, amps) in PAIRS.items():
        if f"{pair}_valid_ms" not in records.total:
            continue
        assert records.total[f"{pair}_valid_ms"][-1] == hours * 3_600_000
        watts = records.mean[volts] * records.mean[amps]
        if pair in ("rectified", "charge", "dump"):
            assert records.total[f"{pair}_mwh"][-1] == pytest.approx(
                1000 * watts.mean() * hours, rel=2e-3, abs=20
            )
    taken = records.total["battery_in_mwh"][-1] - records.total["battery_out_mwh"][-1]
    watts = records.mean["battery_v"] * records.mean["battery_a"]
    assert taken == pytest.approx(1000 * watts.mean() * hours, rel=5e-3, abs=20)
    turns = records.mean["wheel_rpm"].mean() * 60 * hours
    assert records.total["wheel_edges"][-1] == pytest.approx(4 * turns, rel=1e-4, abs=2)
    assert records.total["wheel_mrev"][-1] == records.total["wheel_edges"][-1] * 250
    assert records.total["turning_ms"][-1] == records.total["charging_ms"][-1] == hours * 3_600_000


def test_the_truth_s_energy_is_within_the_sensors_errors() -> None:
    course = course_of(hours=24)
    (records,) = records_of(course)
    true_mwh = course.truth["charge_w"].sum() * 10 / 3.6
    assert records.total["charge_mwh"][-1] == pytest.approx(true_mwh, rel=0.012)
    (exact,) = records_of(course, worse=0.0)
    assert exact.total["charge_mwh"][-1] == pytest.approx(true_mwh, rel=1e-6, abs=2)


def test_parts_of_a_course_give_the_same_totals_as_the_whole() -> None:
    told = {"source": DailyFlow([8.0], air_degc=15.0), "first_day": DAY, "state_of_charge": 0.8}
    calm = dataclasses.replace(USUAL, wander_share=0.0)
    found = []
    for lengths in ((12.0,), (5.0, 1.0, 6.0)):
        twin = FastTwin(DEMO, assumptions=calm, **told)  # type: ignore[arg-type]
        recorder = Recorder(DEMO, "wheel", seed=1, first_day=DAY, worse=0.0)
        parts = [records for hours in lengths for records in recorder.record(twin.run(hours * HOUR_S))]
        assert [part.first_n for part in parts] == [
            1 + round(360 * sum(lengths[:k])) for k in range(len(lengths))
        ]
        found.append({name: int(total[-1]) for name, total in parts[-1].total.items()})
    for name, total in found[0].items():
        assert found[1][name] == pytest.approx(total, rel=2e-4, abs=5), name


@pytest.mark.parametrize(("flow_l_s", "state"), [(8.0, "turning"), (0.5, "slow"), (0.0, "stopped")])
def test_the_state_is_the_wheel_s(flow_l_s: float, state: str) -> None:
    (records,) = records_of(course_of(flow_l_s=flow_l_s, hours=1))
    assert {STATES[code] for code in records.state} == {state}
    total = "stopped_ms" if state == "stopped" else "turning_ms"
    assert records.total[total][-1] == 3_600_000
    assert (records.total["above_cutin_ms"][-1] > 0) == (state == "turning")


def test_between_slow_and_cut_in_the_state_stays_as_it_was() -> None:
    limits = limits_of(DEMO)
    recorder = Recorder(DEMO, "wheel", seed=1, first_day=DAY, worse=0.0)
    course = course_of(hours=1)
    between = 0.5 * (limits.slow_rpm + limits.cutin_rpm)
    course.channels["wheel_rpm"][:] = np.repeat([10.0, between, 5.0, between, 10.0, between], 60)
    (records,) = recorder.record(course)
    told = [STATES[code] for code in records.state[30::60]]
    assert told == ["turning", "turning", "slow", "slow", "turning", "turning"]


def test_parked_is_told_where_there_is_a_switch() -> None:
    parked = (Parked(HOUR_S, 2 * HOUR_S),)
    (with_switch,) = records_of(course_of(plant=PARKS, parked=parked), plant=PARKS)
    assert {STATES[code] for code in with_switch.state[360:720]} == {"parked"}
    assert with_switch.total["parked_ms"][-1] == 3_600_000
    (without,) = records_of(course_of(parked=parked))
    assert {STATES[code] for code in without.state[361:719]} == {"stopped"}
    assert without.total["parked_ms"][-1] == 0


def test_an_outage_of_the_node_leaves_out_records_and_begins_a_boot(course: Course) -> None:
    first, second = records_of(course, outages=(Outage(HOUR_S, 1.5 * HOUR_S),))
    assert (first.boot, first.size) == (1, 360)
    assert (second.boot, second.first_n, second.size) == (2, 1, 540)
    assert second.end_ms[0] - first.end_ms[-1] == 1_810_000
    assert second.up_ms[0] == 10_000
    assert second.total["turning_ms"][0] == 10_000
    assert second.total["wheel_edges"][-1] < first.total["wheel_edges"][-1] * 2


def test_an_outage_over_the_end_of_a_course_begins_one_boot() -> None:
    twin = FastTwin(DEMO, first_day=DAY, source=DailyFlow([8.0]))
    recorder = Recorder(
        DEMO, "wheel", seed=1, first_day=DAY, outages=(Outage(3000, 4000), Outage(7200, 7300))
    )
    boots = [(r.boot, r.size) for _ in range(3) for r in recorder.record(twin.run(HOUR_S))]
    assert boots == [(1, 300), (2, 320), (3, 350)]


def code_of(fault: str) -> int:
    return 1 + [str(name) for name in FAULTS].index(fault)


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ("sensor-dead:battery_degc", "railed"),
        ("sensor-dead:charge_a", "bus"),
        ("sensor-railed:rectified_v", "railed"),
    ],
)
def test_a_sensor_that_gives_nothing_is_null_and_says_why(fault: str, code: str) -> None:
    channel = fault.partition(":")[2]
    (records,) = records_of(course_of(Episode(fault, HOUR_S, 1.0, 0.0, 2 * HOUR_S)))
    assert np.isnan(records.mean[channel][360:720]).all()
    assert np.isfinite(records.mean[channel][:360]).all()
    assert np.isfinite(records.mean[channel][720:]).all()
    assert set(records.fault) == {channel}
    assert set(records.fault[channel][360:720]) == {code_of(code)}
    if channel == "charge_a":
        assert records.total["charge_valid_ms"][-1] == 2 * 3_600_000
        assert records.total["charge_mwh"][719] == records.total["charge_mwh"][360]
        assert records.total["battery_valid_ms"][-1] == 3 * 3_600_000


def test_stuck_reversed_and_drifting_sensors_show_what_they_do() -> None:
    def shown(fault: str) -> np.ndarray:
        channel = fault.partition(":")[2]
        (records,) = records_of(course_of(Episode(fault, HOUR_S)), worse=0.0)
        assert not records.fault
        return records.mean[channel]

    sound = course_of().channels
    stuck = shown("sensor-stuck:battery_v")
    assert np.ptp(stuck[361:]) < 0.002
    assert np.allclose(shown("shunt-reversed:charge_a")[361:], -sound["charge_a"][361:], atol=1e-3)
    assert np.allclose(shown("shunt-drift:charge_a")[361:], 1.1 * sound["charge_a"][361:], atol=1e-3)
    dead = shown("sensor-dead:wheel_rpm")
    assert dead[361:].max() == 0
    back = records_of(course_of(Episode("shunt-reversed:charge_a", HOUR_S)), worse=0.0)[0]
    assert back.total["charge_back_mwh"][-1] > 50_000


def test_a_dead_pickup_looks_like_a_stop_with_current() -> None:
    (records,) = records_of(course_of(Episode("sensor-dead:wheel_rpm", HOUR_S)))
    assert {STATES[code] for code in records.state[360:]} == {"stopped"}
    assert records.mean["charge_a"][360:].min() > 3
    assert records.total["wheel_edges"][-1] == records.total["wheel_edges"][360]


def test_flips_are_counted_where_current_stops_above_cut_out() -> None:
    course = course_of(Episode("fuse-open", HOUR_S, 1.0, 0.0, 2 * HOUR_S))
    (records,) = records_of(course)
    assert records.total["charge_flips"][-1] == 1
    assert records.total["charging_ms"][-1] == 2 * 3_600_000


def test_what_is_out_of_order_goes_with_the_records(course: Course) -> None:
    (records,) = records_of(course_of(Episode("clogging", HOUR_S, 0.5, 0.0, 2 * HOUR_S)))
    assert records.present == [(slice(360, 720), {"clogging": 0.5})]
    (sound,) = records_of(course)
    assert sound.present == []


def test_a_length_that_does_not_divide_a_minute_is_refused() -> None:
    plant = dataclasses.replace(DEMO, nodes=(Node(id="wheel", record_s=7),))
    with pytest.raises(RecordLengthError, match="record_s = 7"):
        Recorder(plant, "wheel", seed=1, first_day=DAY)


def test_a_record_of_half_a_minute_covers_it() -> None:
    plant = dataclasses.replace(DEMO, nodes=(Node(id="wheel", record_s=30),))
    twin = FastTwin(plant, first_day=DAY, source=DailyFlow([8.0]), step_s=30.0)
    (records,) = Recorder(plant, "wheel", seed=1, first_day=DAY).record(twin.run(HOUR_S))
    assert (records.size, records.span_ms) == (120, 30_000)
    assert records.total["turning_ms"][-1] == 3_600_000
