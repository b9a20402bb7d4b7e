"""The list of faults, and how each begins, grows and goes."""

from __future__ import annotations

import dataclasses
import math

import pytest
from tests.twin.plants import DEMO, plant_of

from wheelpit.twin.condition import Condition
from wheelpit.twin.faultbook import Episode, FaultBook
from wheelpit.twin.faults import FAULTS, TWINS_OWN, fault_of
from wheelpit.twin.machine import TwinPlant
from wheelpit.twin.trouble import ElsewhereError, FaultError


def test_the_list_is_long_and_tells_everything() -> None:
    assert len(FAULTS) >= 30
    assert {"jam", "limiter", "link"} <= set(FAULTS)
    for name, fault in FAULTS.items():
        assert fault.name == name == name.lower()
        assert "\n" not in fault.text
        assert len(fault.text) > 10
        assert fault.severity
        assert (fault.put is not None) == (fault.where in TWINS_OWN), name
        assert bool(fault.remedy) == (fault.where not in TWINS_OWN), name


def test_every_fault_of_the_twin_changes_the_condition_and_only_while_it_is_there() -> None:
    healthy = Condition()
    for name, fault in FAULTS.items():
        if fault.where not in TWINS_OWN:
            continue
        channel = "rectified_v" if name == "wrong-ratio" else "battery_a"
        full = f"{name}:{channel}" if fault.per_channel else name
        book = FaultBook(DEMO)
        book.put(full, on=True)
        assert book.tend(1.0)
        assert book.condition != healthy, name
        book.put(full, on=False)
        assert book.tend(2.0)
        assert book.condition == healthy, name
        assert book.present() == {}


@pytest.mark.parametrize("name", [name for name, fault in FAULTS.items() if fault.where not in TWINS_OWN])
def test_what_is_elsewhere_is_refused_with_the_way_to_do_it(name: str) -> None:
    fault = FAULTS[name]
    with pytest.raises(ElsewhereError, match="the twin alone cannot do it") as caught:
        TwinPlant(DEMO).put(name, on=True)
    assert fault.where in str(caught.value)
    assert fault.remedy in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("gremlin", "not known; `wheelpit twin faults`"),
        ("bearings", "did you mean bearing"),
        ("jam:battery_v", 'leave out ":battery_v"'),
        ("sensor-stuck", "sensor-stuck:battery_v"),
        ("sensor-stuck:wheel_rpm", "give one of the fitted channels"),
        ("sensor-dead:load_a", "give one of the fitted channels"),
        ("shunt-drift:battery_v", "shunt-drift:battery_a, shunt-drift:charge_a"),
        ("wrong-ratio:charge_a", "wrong-ratio:rectified_v"),
    ],
)
def test_a_name_that_cannot_be_is_told_what_can(name: str, told: str) -> None:
    with pytest.raises(FaultError) as caught:
        fault_of(DEMO, name)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "topology", "name"),
    [
        ("none", "diversion-at-battery", "converter-hunting"),
        ("none", "diversion-at-battery", "back-feed"),
        ("fold-back", "none", "controller-open"),
        ("fold-back", "none", "limiter"),
        ("fold-back", "series", "dump-dead"),
        ("fixed", "series", "dump-stuck"),
    ],
)
def test_a_plant_cannot_have_a_fault_of_a_part_that_it_lacks(kind: str, topology: str, name: str) -> None:
    with pytest.raises(FaultError, match="Sallow Ghyll cannot have it"):
        fault_of(plant_of(kind, topology), name)


@pytest.mark.parametrize(("severity", "ramp_s"), [(0.0, 0.0), (1.1, 0.0), (math.nan, 0.0), (0.5, -1.0)])
def test_a_severity_or_ramp_out_of_range_is_refused(severity: float, ramp_s: float) -> None:
    with pytest.raises(FaultError, match="give"):
        FaultBook(DEMO).put("bearing", on=True, severity=severity, ramp_s=ramp_s)


def test_a_ramp_is_even_and_clearing_takes_its_time_too() -> None:
    book = FaultBook(DEMO)
    book.tend(100.0)
    book.put("clogging", on=True, severity=0.6, ramp_s=3600.0)
    seen = []
    for t_s in (100.0, 1000.0, 1900.0, 3700.0, 9000.0):
        book.tend(t_s)
        seen.append(round(1 - book.condition.flow_share, 6))
    assert seen == [0.0, 0.15, 0.3, 0.6, 0.6]
    assert book.present() == {"clogging": 0.6}
    book.put("clogging", on=False, ramp_s=60.0)
    seen = []
    for t_s in (9000.0, 9030.0, 9060.0):
        book.tend(t_s)
        seen.append(round(1 - book.condition.flow_share, 6))
    assert seen == [0.6, 0.3, 0.0]
    assert book.present() == {}


def test_a_fault_may_get_worse_from_where_it_is() -> None:
    book = FaultBook(DEMO)
    book.put("bearing", on=True, severity=0.2)
    book.tend(1.0)
    book.put("bearing", on=True, severity=0.8, ramp_s=10.0)
    book.tend(6.0)
    assert book.present()["bearing"] == pytest.approx(0.5)
    assert book.condition.bearing_factor == pytest.approx(1 + 3 * 0.5)


def test_episodes_begin_and_end_when_planned_however_coarsely_time_is_asked() -> None:
    book = FaultBook(DEMO)
    healthy = Condition()
    book.plan(Episode("bearing", 1000.0, severity=0.9, ramp_s=900.0, cleared_s=5000.0, clear_ramp_s=100.0))
    book.plan(Episode("link", 2000.0, cleared_s=2500.0))
    assert not book.tend(999.0)
    assert book.present() == {}
    assert book.tend(1450.0)
    assert book.present() == {"bearing": pytest.approx(0.45)}
    assert book.tend(2100.0)
    assert book.condition.link_down
    assert book.present() == {"bearing": pytest.approx(0.9), "link": 1.0}
    assert book.tend(5050.0)
    assert dataclasses.replace(book.condition, bearing_factor=1.0) == healthy
    assert book.condition.bearing_factor == pytest.approx(1 + 3 * 0.45)
    assert book.tend(9000.0)
    assert book.condition == healthy
    assert not book.tend(9001.0)


def test_an_episode_in_the_past_or_that_ends_before_it_begins_is_refused() -> None:
    book = FaultBook(DEMO)
    book.tend(50.0)
    with pytest.raises(FaultError, match="it is 50 s already"):
        book.plan(Episode("jam", 40.0))
    with pytest.raises(FaultError, match="before its onset"):
        book.plan(Episode("jam", 60.0, cleared_s=59.0))
    with pytest.raises(ElsewhereError):
        book.plan(Episode("host-lost", 60.0))


def test_a_loose_fault_comes_and_goes_for_its_share_of_the_time() -> None:
    book = FaultBook(DEMO)
    book.put("fuse-open", on=True, severity=0.3)
    there, changes, before = 0, 0, False
    for frame in range(20 * 600):
        book.tend(frame / 20)
        there += book.condition.fuse_open
        changes += book.condition.fuse_open != before
        before = book.condition.fuse_open
    assert there / (20 * 600) == pytest.approx(0.3, abs=0.01)
    assert changes == 40
    assert book.present() == {"fuse-open": 0.3}


def test_two_faults_of_one_part_are_both_there() -> None:
    book = FaultBook(DEMO)
    for name, severity in [
        ("jam", 0.4), ("rocking", 1.0), ("belt-slip", 0.5), ("diode-open", 1.0), ("phase-lost", 0.5),
        ("shunt-drift:charge_a", 0.5), ("shunt-reversed:charge_a", 1.0), ("sensor-noisy:charge_a", 0.2),
    ]:  # fmt: skip
        book.put(name, on=True, severity=severity)
    book.tend(1.0)
    condition = book.condition
    assert (condition.jam, condition.rocking, condition.belt_tension) == (1.0, 1.0, 0.5)
    assert condition.pulses == pytest.approx(2 / 3)
    assert condition.sensors["charge_a"].gain == pytest.approx(-1.05)
    assert condition.sensors["charge_a"].noise == pytest.approx(0.01)
    book.put("rocking", on=False)
    book.tend(2.0)
    assert (book.condition.jam, book.condition.rocking) == (0.4, 0.0)


def test_the_book_is_idle_while_nothing_changes() -> None:
    book = FaultBook(DEMO)
    book.put("bearing", on=True, ramp_s=2.0)
    changed = [t for t in range(200) if book.tend(t / 20)]
    assert max(changed) <= 41
    assert len(changed) < 20
