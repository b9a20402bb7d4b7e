"""What was changed, and the plant of any day."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from wheelpit.plant import PlantError, demo_plant_path, parse_plant
from wheelpit.plant.description import DividerSensor, MonitorSensor, NoConverter, ShuntSensor
from wheelpit.plant.history import changes_between, epochs, plant_at

TODAY = demo_plant_path().read_text(encoding="utf-8")
CHANGES = """
[[change]]
on = 2026-05-14
what = "smaller pulley"
before.belt.pulley_diameter_m = 0.0833
after.belt.pulley_diameter_m = 0.0777

[[change]]
on = 2026-02-01T10:30:00
what = "a better shunt, and one for the diversion load"
before.sensor.charge_a.shunt_ohm = 0.001
before.sensor.dump_a = "not fitted"

[[change]]
on = 2025-11-03
what = "converter; before that the bridge fed the battery"
before.converter = { kind = "none", parts_v = 100.0 }
before.belt.pulley_diameter_m = 0.1
after.belt.pulley_diameter_m = 0.0833
before.sensor.battery_v = { node = "wheel", kind = "divider", pin = 28, upper_ohm = 1e5, lower_ohm = 1e4 }
"""


def ms(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("Europe/London")).timestamp() * 1000)


def test_each_day_has_its_own_plant() -> None:
    plant = parse_plant(TODAY + CHANGES)
    assert [change.what[:7] for change in plant.changes] == ["convert", "a bette", "smaller"]
    assert plant_at(plant, ms("2026-05-14")) is plant
    spring = plant_at(plant, ms("2026-05-14") - 1)
    assert spring.belt.pulley_diameter_m == 0.0833
    assert "dump_a" in spring.channels
    winter = plant_at(plant, ms("2026-02-01T10:29:59"))
    assert "dump_a" not in winter.channels
    shunt, before = spring.sensor("charge_a"), winter.sensor("charge_a")
    assert isinstance(shunt, ShuntSensor)
    assert isinstance(before, ShuntSensor)
    assert (shunt.shunt_ohm, before.shunt_ohm) == (0.0015, 0.001)
    assert isinstance(winter.sensor("battery_v"), MonitorSensor)
    oldest = plant_at(plant, ms("2020-01-01"))
    assert isinstance(oldest.converter, NoConverter)
    assert oldest.belt.pulley_diameter_m == 0.1
    assert isinstance(oldest.sensor("battery_v"), DividerSensor)


def test_epochs_and_what_lies_between() -> None:
    plant = parse_plant(TODAY + CHANGES)
    stretches = epochs(plant)
    assert [stretch.start_ms for stretch in stretches] == [
        None,
        ms("2025-11-03"),
        ms("2026-02-01T10:30:00"),
        ms("2026-05-14"),
    ]
    assert stretches[-1].end_ms is None
    assert stretches[-1].plant is plant
    year = (ms("2025-06-01"), ms("2026-06-01"))
    assert len(changes_between(plant, *year)) == 3
    assert [change.what for change in changes_between(plant, *year, "belt")] == [
        "converter; before that the bridge fed the battery",
        "smaller pulley",
    ]
    assert len(changes_between(plant, *year, "sensor.charge_a")) == 1
    assert changes_between(plant, ms("2026-05-14"), ms("2026-06-01")) == []
    assert epochs(parse_plant(TODAY))[0][:2] == (None, None)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('on = "2026-05-14"\nwhat = "x"\nbefore.belt.creep = 0.01', "change[1].on: write the day without quotes"),
        ("on = 2026-05-14\nbefore.belt.creep = 0.01", "change[1].what: write"),
        ('on = 2026-05-14\nwhat = "x"', "change[1].before: write what was there"),
        ('on = 2026-05-14\nwhat = "x"\nbefor.belt.creep = 0.01', "change[1].befor: unknown key"),
        ('on = 2026-05-14\nwhat = "x"\nbefore.belt.crep = 0.01', 'before the change of 2026-05-14 ("x"): belt.crep'),
        ('on = 2026-05-14\nwhat = "x"\nbefore.belt.creep = 0.008', "change[1].before: nothing of it differs"),
        (
            'on = 2026-05-14\nwhat = "x"\nbefore.belt.creep = 0.01\nafter.belt.creep = 0.02',
            "change[1].after.belt.creep = 0.02: but then it was 0.008",
        ),
        ('on = 2026-05-14\nwhat = "x"\nbefore.site.id = "other"', "before.site.id: the ledger's days hang on it"),
        ('on = 2026-05-14\nwhat = "x"\nbefore.sensor.load_a = "not fitted"', "it is not there after the change"),
        ('on = 2026-05-14\nwhat = "x"\nbefore.sensor.dump_a = "none"', 'write "not fitted", or the keys'),
        ('on = 2026-05-14\nwhat = "x"\nbefore.sensor = "none"', "before.sensor: name which"),
        (
            'on = 2026-05-14\nwhat = "x"\nbefore.converter.stop_v = 17.0',
            "converter.stop_v = 17: give at most start_v",
        ),
    ],
)  # fmt: skip
def test_slips_are_told_by_name(text: str, told: str) -> None:
    with pytest.raises(PlantError) as caught:
        parse_plant(f"{TODAY}\n[[change]]\n{text}\n")
    assert any(told in problem for problem in caught.value.problems), caught.value.problems


def test_a_change_is_no_table_of_its_own() -> None:
    with pytest.raises(PlantError, match=r"write \[\[change\]\] with double brackets"):
        parse_plant(f"{TODAY}\n[change]\nx = 1\n")
