"""The drawing: well-formed, true to what is fitted and known, and safe against any name."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest

import elevation
from layout import NARROW, WIDE, Layout
from moment import Moment, Reading
from wheelpit.plant import Plant, demo_plant_path, load_plant
from wheelpit.plant.description import NoConverter

SVG = "{http://www.w3.org/2000/svg}"
VALUES: dict[str, float] = {
    "stage_m": 0.142,
    "water_degc": 7.9,
    "wheel_rpm": 10.4,
    "shaft_nm": 101.0,
    "alternator_rpm": 185.0,
    "alternator_degc": 41.0,
    "rectified_v": 20.8,
    "rectified_a": 3.83,
    "charge_a": 5.4,
    "battery_v": 13.52,
    "battery_a": 4.1,
    "battery_degc": 11.2,
    "dump_a": 0.0,
    "load_a": 1.3,
    "node_v": 5.02,
}
WRITTEN = {
    "stage_m": "0.142 m",
    "water_degc": "7.9 °C",
    "wheel_rpm": "10.4 rpm",
    "shaft_nm": "101 N m",
    "alternator_rpm": "185 rpm",
    "alternator_degc": "41.0 °C",
    "rectified_v": "20.8 V",
    "rectified_a": "3.8 A",
    "charge_a": "5.4 A",
    "battery_v": "13.52 V",
    "battery_a": "4.1 A",
    "battery_degc": "11.2 °C",
    "dump_a": "0.0 A",
    "load_a": "1.3 A",
    "node_v": "5.0 V",
}
LAYOUTS = pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def moment(values: dict[str, float], age_s: float = 1.0) -> Moment:
    return Moment(
        state="turning" if age_s <= 5 else None,
        readings={name: Reading(value, age_s) for name, value in values.items()},
        ages_s={"wheel": age_s},
    )


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - made by the code under test


def texts(svg: str) -> list[tuple[str, str]]:
    """Return every piece of text of a drawing with its class."""
    return [
        (node.text, node.get("class", ""))
        for node in parsed(svg).iter()
        if node.tag in {f"{SVG}text", f"{SVG}tspan"} and node.text
    ]


@LAYOUTS
def test_it_is_well_formed_with_everything_and_with_nothing(plant: Plant, layout: Layout) -> None:
    for values in (VALUES, {}):
        root = parsed(elevation.draw(plant, moment(values), layout))
        assert root.tag == f"{SVG}svg"
        assert root.get("role") == "img"


@LAYOUTS
@pytest.mark.parametrize("channel", list(VALUES))
def test_a_value_stands_there_if_and_only_if_its_channel_is_fitted(
    plant: Plant, layout: Layout, channel: str
) -> None:
    with_it = [text for text, _ in texts(elevation.draw(plant, moment(VALUES), layout))]
    rest = {name: value for name, value in VALUES.items() if name != channel}
    without_it = [text for text, _ in texts(elevation.draw(plant, moment(rest), layout))]
    assert WRITTEN[channel] in with_it
    assert WRITTEN[channel] not in without_it


@LAYOUTS
@pytest.mark.parametrize(("rpm", "seconds"), [(10.4, "5.7692"), (6.0, "10.0000")])
def test_it_turns_at_the_measured_speed(plant: Plant, layout: Layout, rpm: float, seconds: str) -> None:
    drawn = elevation.draw(plant, moment({**VALUES, "wheel_rpm": rpm}), layout)
    assert f'class="turn" style="animation-duration:{seconds}s"' in drawn


@LAYOUTS
def test_fresh_is_blue_old_is_grey_and_the_wheel_of_an_old_word_stands(plant: Plant, layout: Layout) -> None:
    fresh = texts(elevation.draw(plant, moment(VALUES, 4.9), layout))
    assert ("10.4 rpm", "value") in fresh
    drawn = elevation.draw(plant, moment(VALUES, 18), layout)
    assert ("10.4 rpm", "value old") in texts(drawn)
    assert any(text.endswith("18 s old") for text, _ in texts(drawn))
    assert 'class="turn still"' in drawn


@LAYOUTS
def test_after_a_minute_the_old_number_is_gone(plant: Plant, layout: Layout) -> None:
    told = texts(elevation.draw(plant, moment(VALUES, 190), layout))
    written = [text for text, _ in told]
    assert not set(WRITTEN.values()) & set(written)
    assert ("no data", "gone") in told
    assert ("after the bridge, 3 min", "note") in told


def test_a_channel_that_has_not_spoken_yet_has_no_number(plant: Plant) -> None:
    told = texts(elevation.draw(plant, Moment(readings={"charge_a": Reading(None, None)}), WIDE))
    assert ("no data", "gone") in told
    assert ("charge, so far", "note") in told


def test_a_failed_reading_is_a_dash_beside_the_one_that_came(plant: Plant) -> None:
    readings = {"rectified_v": Reading(None, 1.0, "bus"), "rectified_a": Reading(3.8, 1.0)}
    told = texts(elevation.draw(plant, Moment(readings=readings, ages_s={"wheel": 1.0}), WIDE))
    assert ("3.8 A", "value") in told
    assert ("\N{EN DASH} V", "gone") in told


@pytest.mark.parametrize(("amps", "name"), [(4.1, "into the bank"), (-4.1, "out of the bank")])
@pytest.mark.parametrize("age_s", [1.0, 30.0])
def test_the_banks_current_has_its_direction_in_words(
    plant: Plant, amps: float, name: str, age_s: float
) -> None:
    told = [text for text, _ in texts(elevation.draw(plant, moment({"battery_a": amps}, age_s), WIDE))]
    assert "4.1 A" in told
    assert any(text.startswith(name) for text in told)


def test_water_falls_only_while_the_wheel_is_known_to_turn(plant: Plant) -> None:
    turning = elevation.draw(plant, moment(VALUES), WIDE)
    standing = elevation.draw(plant, replace(moment(VALUES), state="stopped"), WIDE)
    assert turning.count('class="water"') == standing.count('class="water"') + 1


def test_the_parts_follow_the_plant(plant: Plant) -> None:
    drawn = [text for text, _ in texts(elevation.draw(plant, moment({}), WIDE))]
    assert {"converter", "diversion", "bank, 12 V 200 Ah"} <= set(drawn)
    bare = replace(
        plant,
        converter=NoConverter(kind="none", parts_v=100),
        controller=replace(plant.controller, topology="none", dump_w=None),
        battery=replace(plant.battery, nominal_v=24.0),
    )
    drawn = [text for text, _ in texts(elevation.draw(bare, moment({}), WIDE))]
    assert not {"converter", "diversion"} & set(drawn)
    assert "bank, 24 V 200 Ah" in drawn


@pytest.mark.parametrize(
    ("chemistry", "nominal_v", "cells"),
    [("flooded", 12, 6), ("sealed", 24, 12), ("lfp", 12, 4), ("lfp", 48, 16)],
)
def test_the_bank_has_its_number_of_cells(plant: Plant, chemistry: str, nominal_v: float, cells: int) -> None:
    """2 V nominal a lead cell, 3.2 V a LiFePO4 cell (12.8 V called 12 V): common practice, no source."""
    other = replace(plant, battery=replace(plant.battery, chemistry=chemistry, nominal_v=nominal_v))  # type: ignore[arg-type] # one of the three
    x, y, width, height = WIDE.bank
    drawn = elevation.draw(other, moment({}), WIDE)
    assert drawn.count(f'y="{y:.1f}" width="{width / cells:.1f}" height="{height:.1f}"') == cells
    assert f'x="{x:.1f}" y="{y:.1f}"' in drawn


def test_a_node_cannot_write_into_the_page(plant: Plant) -> None:
    evil = '</text><script>alert("1")</script>'
    drawn = elevation.draw(plant, Moment(ages_s={evil: 1.0}), WIDE, marks={"wheel": f"{evil} alarm"})
    assert "<script" not in drawn
    assert any(evil in text for text, _ in texts(drawn))


@LAYOUTS
@pytest.mark.parametrize("part", ["wheel", "belt", "bridge", "charge", "bank", "dump", "node", "headrace"])
def test_an_alarm_is_a_word_at_its_part_and_not_a_colour_alone(
    plant: Plant, layout: Layout, part: str
) -> None:
    told = texts(elevation.draw(plant, moment(VALUES), layout, {part: "high alarm"}))
    assert ("high alarm", "tagword") in told
    # The tag of the longest word stays on the paper.
    drawn = parsed(elevation.draw(plant, moment(VALUES), layout, {part: "critical alarm"}))
    (tag,) = [rect for rect in drawn.iter(f"{SVG}rect") if rect.get("class") == "tag"]
    x, y, width, height = (float(tag.get(name, "nan")) for name in ("x", "y", "width", "height"))
    assert 0 <= x <= layout.width - width
    assert 0 <= y <= layout.height - height
