"""The living part of the page as a whole: alarms in words, advice, and nothing unescaped."""

from __future__ import annotations

from dataclasses import replace

import pytest

import block
from moment import Moment, Reading
from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.store.alarms import AlarmRow

NOW_MS = 1_780_000_000_000  # 28 May 2026, 20:26:40 UTC


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def alarm(**changes: object) -> AlarmRow:
    row = AlarmRow(
        site="sallow-ghyll",
        node="wheel",
        condition="stall",
        priority="high",
        onset_ms=NOW_MS - 12 * 60_000,
        raised_ms=NOW_MS - 11 * 60_000,
        value=0.0,
        limit=6.3,
        unit="rpm",
        title="The wheel stopped suddenly",
        text="",
        remedy="Water off first. A jammed wheel leaps when freed. Chock it, then clear it.",
        reason="",
        episode=1,
        cleared_ms=None,
        acknowledged_ms=None,
    )
    return replace(row, **changes)  # type: ignore[arg-type] # the callers name fields of the row


def test_an_alarm_gives_priority_what_since_when_and_the_first_words_of_the_remedy(plant: Plant) -> None:
    told = block.alarm_list([alarm()], plant.site.time_zone, NOW_MS)
    assert '<span class="priority">high</span> <b>The wheel stopped suddenly</b>' in told
    assert "since 21:14 (12 min)" in told  # London, summer time
    assert "Water off first. A jammed wheel leaps when freed." in told
    assert "Chock" not in told


def test_an_older_alarm_has_its_date_and_one_that_was_seen_says_so(plant: Plant) -> None:
    told = block.alarm_list(
        [alarm(onset_ms=NOW_MS - 86_400_000, acknowledged_ms=NOW_MS)], plant.site.time_zone, NOW_MS
    )
    assert "since 27 May 2026, 21:26 (24 h), acknowledged." in told


def test_the_worst_alarm_speaks_at_its_part_of_the_drawing() -> None:
    low = alarm(condition="underspeed", priority="low")
    assert block.marks_of([alarm(), low]) == {"wheel": "high alarm"}
    assert block.marks_of([alarm(condition="something_new")]) == {}


def test_without_alarms_it_says_so(plant: Plant) -> None:
    assert "No open alarms." in block.live_block(plant, Moment(), [], NOW_MS)


def test_the_drawn_water_is_called_a_sketch_and_the_sensor_that_would_measure_it_is_named(
    plant: Plant,
) -> None:
    assert "stage_m" in block.live_block(plant, Moment(), [], NOW_MS)
    measured = Moment(readings={"stage_m": Reading(0.1, 1.0)}, ages_s={"wheel": 1.0})
    assert "stage_m" not in block.live_block(plant, measured, [], NOW_MS)


def test_nothing_goes_into_the_page_unescaped(plant: Plant) -> None:
    evil = "<img src=x onerror=alert(1)>"
    told = block.live_block(
        plant,
        Moment(ages_s={evil: 90.0, "wheel": 1.0}, readings={"battery_v": Reading(None, 1.0, evil)}),
        [alarm(title=evil, remedy=evil, priority=evil)],
        NOW_MS,
        [block.Advice(evil, evil)],
    )
    assert "<img" not in told
    assert told.count("&lt;img") >= 5


@pytest.mark.parametrize(
    ("remedy", "first"), [("Water off.", "Water off."), ("A. B.", "A. B."), ("A. B. C. D.", "A. B.")]
)
def test_first_words(remedy: str, first: str) -> None:
    assert block.first_words(remedy) == first
