"""`wheelpit plant check`: what follows from a plant, what it can tell, what hurts, and how it is said."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner
from tests.plant.pieces import RATING, STAGE

from wheelpit.cli import main
from wheelpit.plant import Plant, demo_plant_path, load_plant, parse_plant
from wheelpit.plant.capabilities import Support, supported
from wheelpit.plant.check import as_json, as_text, check
from wheelpit.plant.description import (
    FixedConverter,
    OtherSource,
    PickupSensor,
)
from wheelpit.plant.hazards import hazards
from wheelpit.plant.rating import rating_of

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def plant() -> Plant:
    return load_plant(demo_plant_path())


def _without(plant: Plant, *channels: str) -> Plant:
    return replace(plant, sensors=tuple(s for s in plant.sensors if s.channel not in channels))


def _with(plant: Plant, *sensors: Any) -> Plant:
    return replace(plant, sensors=(*plant.sensors, *sensors))


def _answer(plant: Plant, figure: str) -> Support:
    return next(support for support in supported(plant) if support.figure.startswith(figure))


# What can be told.


def test_both_currents_tell_generation_charge_and_loads(plant: Plant) -> None:
    for figure in ("energy given", "state of charge", "what the loads take", "energy to the diversion"):
        assert _answer(plant, figure).answer == "yes"
        assert not _answer(plant, figure).needs


def test_charge_a_alone_gives_no_state_of_charge(plant: Plant) -> None:
    minimum = _without(plant, "battery_a", "dump_a", "rectified_a")
    assert _answer(minimum, "energy given").answer == "yes"
    charge = _answer(minimum, "state of charge")
    assert charge.answer == "no"
    assert "+-15" in charge.because
    assert charge.needs.startswith("battery_a")
    assert _answer(minimum, "what the loads take").needs.startswith("load_a")
    assert _answer(minimum, "energy to the diversion").answer == "no"


def test_lithium_refuses_a_state_of_charge_from_voltage(plant: Plant) -> None:
    lithium = replace(_without(plant, "battery_a"), battery=replace(plant.battery, chemistry="lfp"))
    assert "hardly moves" in _answer(lithium, "state of charge").because


def test_battery_a_alone_is_a_lower_bound_and_nothing_with_another_source(plant: Plant) -> None:
    minimum = _without(plant, "charge_a")
    assert _answer(minimum, "energy given").answer == "partly"
    assert "lower bound" in _answer(minimum, "energy given").because
    sunny = replace(minimum, other_sources=(OtherSource(kind="engine", rated_w=1000.0),))
    assert _answer(sunny, "energy given").answer == "no"
    both = replace(plant, other_sources=sunny.other_sources)
    assert _answer(both, "what the loads take").answer == "no"


def test_a_controller_that_diverts_before_the_shunt_gives_a_lower_bound(plant: Plant) -> None:
    inside = replace(plant, controller=replace(plant.controller, topology="diversion-in-controller"))
    assert _answer(inside, "energy given").answer == "partly"
    assert "never passes charge_a" in _answer(_without(inside, "dump_a"), "energy to the diversion").because


def test_no_voltage_no_power(plant: Plant) -> None:
    assert _answer(_without(plant, "battery_v"), "energy given") == Support(
        "energy given to the battery node",
        "no",
        "power is a current times the voltage at the same node",
        "battery_v",
    )


_WEIR = """
[weir]
kind = "v-notch"
notch_deg = 90.0
crest_height_m = 0.45
channel_width_m = 0.9
"""


def test_flow_needs_a_weir_with_a_rating_before_the_wheel() -> None:
    demo = demo_plant_path().read_text(encoding="utf-8")
    rated = parse_plant(demo + STAGE + _WEIR)
    assert _answer(rated, "flow").answer == "yes"
    assert _answer(rated, "loss of wheel").answer == "partly"
    assert _answer(parse_plant(demo + STAGE), "flow").needs == "a [weir] table"
    stream = parse_plant(demo + STAGE.replace("headrace", "stream") + _WEIR)
    assert _answer(stream, "flow").answer == "partly"
    assert _answer(stream, "loss of wheel").answer == "no"
    shown = check(rated).weir_l_s
    assert list(shown) == [0.06, 0.10, 0.15]
    assert "100 mm: 4.4 L/s" in as_text(check(rated))


def test_a_place_of_its_own_is_known_by_its_gaugings() -> None:
    demo = demo_plant_path().read_text(encoding="utf-8")
    plant = parse_plant(demo + STAGE + RATING)
    assert _answer(plant, "flow").answer == "yes"
    assert "gauged from 0.1 to 0.3 m" in _answer(plant, "flow").because
    # 320 (h + 0.02)^2.4, by a pocket calculator.
    assert check(plant).weir_l_s == pytest.approx(
        {0.1: 1.973, 0.1667: 5.700, 0.2333: 11.855, 0.3: 20.774}, rel=1e-3
    )
    assert "100 mm: 2.0 L/s" in as_text(check(plant))
    rating = rating_of(plant)
    assert rating is not None
    assert rating.share_u(0.2) == pytest.approx(0.04)
    # Half as deep as the lowest gauging, or half as deep again as the highest: surely less sure.
    assert rating.share_u(0.04) > 0.2
    assert 0.1 < rating.share_u(0.46) < 0.2
    assert rating.stage_m(rating.flow_l_s(0.25)) == pytest.approx(0.25)
    assert rating.flow_l_s(-0.03) == 0.0


def test_a_torque_arm_separates_the_wheel() -> None:
    demo = demo_plant_path().read_text(encoding="utf-8")
    arm = (
        '\n[[sensor]]\nchannel = "shaft_nm"\nnode = "wheel"\nkind = "linear"\npin = 28\nmv_per_unit = 10.0\n'
    )
    assert _answer(parse_plant(demo + arm), "loss of wheel").answer == "yes"
    assert _answer(parse_plant(demo + arm), "loss of the alternator").answer == "yes"


@pytest.mark.parametrize(
    ("magnets", "answer", "seconds"), [(1, "partly", 31), (2, "partly", 21), (4, "yes", 15)]
)
def test_magnets_decide_how_soon_a_stop_is_told(
    plant: Plant, magnets: int, answer: str, seconds: int
) -> None:
    pickup = plant.sensor("wheel_rpm")
    assert isinstance(pickup, PickupSensor)
    told = _answer(_with(_without(plant, "wheel_rpm"), replace(pickup, magnets=magnets)), "a sudden stop")
    assert told.answer == answer
    assert f"within {seconds} s" in told.because


# How it is said.


def test_text_and_json_say_the_same(plant: Plant) -> None:
    checked = check(plant)
    text, told = as_text(checked), as_json(checked)
    again = json.loads(json.dumps(told))
    assert again.keys() == told.keys()
    assert again["derived"] == told["derived"]
    assert "17.99 by pitch radii; bare radii would say 19.31" in text
    assert told["derived"]["ratio_by_pitch"] == pytest.approx(17.99, abs=0.005)
    for point in told["operating_points"]:
        assert f"{point['rectified_v']:6.1f} {point['rectified_a']:6.2f}" in text
    assert {limit["name"] for limit in told["limits"]} >= {"slow_rpm", "overcharge_v", "rectified_guard_v"}
    assert next(limit for limit in told["limits"] if limit["name"] == "overcharge_v")["value"] == 15.0
    assert len(told["supports"]) == len(checked.supports)
    assert [w["key"] for w in told["warnings"]] == [h.key for h in checked.hazards]
    assert max(len(line) for line in text.splitlines()) <= 100


def test_the_text_speaks_of_wet_places_and_of_its_own_limits(plant: Plant) -> None:
    text = " ".join(as_text(check(plant)).split())
    assert "60 V is a limit for dry places" in text
    assert "15 or 30 V" in text
    assert "up to 24 V loaded and 64 V without load" in text
    assert "never the only protection" in text
    assert "electrician" in text


def test_no_warning_is_no_proof_of_safety(plant: Plant) -> None:
    slow = replace(plant, alternator=replace(plant.alternator, v_per_rpm=0.12))
    assert not hazards(slow)
    assert "Warnings: none. That is no proof of safety." in as_text(check(slow))


def test_a_flow_at_which_nothing_settles_is_shown(plant: Plant) -> None:
    kind = FixedConverter(
        kind="fixed",
        start_v=16.0,
        stop_v=8.0,
        restart_s=2.0,
        output_limit_a=8.0,
        efficiency=0.92,
        largest_input_v=80.0,
        parts_v=100.0,
    )
    text = as_text(check(replace(plant, converter=kind)))
    assert "hunts down to" in text
    sticky = replace(plant, wheel=replace(plant.wheel, bearing_nm=400.0))
    assert "does not turn" in as_text(check(sticky))


def test_the_command_prints_and_ends_well() -> None:
    done = CliRunner().invoke(main, ["plant", "check", str(demo_plant_path())])
    assert done.exit_code == 0
    assert done.stdout.startswith("Sallow Ghyll (sallow-ghyll)")
    as_data = CliRunner().invoke(main, ["plant", "check", "--json", str(demo_plant_path())])
    assert json.loads(as_data.stdout)["site"] == "sallow-ghyll"


def test_the_command_tells_every_problem_on_its_own_line(tmp_path: Path) -> None:
    bad = tmp_path / "plant.toml"
    text = demo_plant_path().read_text(encoding="utf-8").replace("head_m = 1.80", "head_m = 0")
    bad.write_text(text.replace("pole_pairs = 8", "pole_pair = 8"), encoding="utf-8")
    done = CliRunner().invoke(main, ["plant", "check", str(bad)])
    assert done.exit_code == 2
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 3
    assert all(line.startswith(f"wheelpit: {bad}: ") for line in lines)
    assert "water.head_m = 0: outside what is believed; give a value from 0.2 to 20 m" in lines[0]
    assert "did you mean pole_pairs?" in lines[1]
    assert "alternator.pole_pairs: missing; add it" in lines[2]


def test_the_command_names_a_file_that_is_not_there(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["plant", "check", str(tmp_path / "none.toml")])
    assert done.exit_code == 2
    assert "not found" in done.stderr
