"""From a morning at the bench to results, warnings and plant.toml."""

from __future__ import annotations

import datetime as dt
import tomllib
from typing import Any

import pytest
from tests.plant.pieces import STAGE

from wheelpit.accounts.commission.answers import AnswerError, Answers
from wheelpit.accounts.commission.rating import RatingError, fit_rating
from wheelpit.accounts.commission.readings import Reading, derived, mean_of, pulls_of
from wheelpit.accounts.commission.results import Entry, outcome_json
from wheelpit.accounts.commission.steps import steps_of
from wheelpit.accounts.commission.worked import outcome_of
from wheelpit.accounts.commission.written import WriteError, written_into
from wheelpit.plant import demo_plant_path, load_plant
from wheelpit.plant.description import RatedWeir
from wheelpit.plant.history import plant_at
from wheelpit.plant.load import PlantError, parse_plant
from wheelpit.plant.rating import rating_of

_DEMO = load_plant(demo_plant_path())
_TEXT = demo_plant_path().read_text(encoding="utf-8")
_AT = dt.datetime(2026, 5, 2, 10, 30)  # noqa: DTZ001 - the site's own time, as plant.toml has it


def worked(plant: Any = _DEMO, **told: Any) -> Any:
    answers = Answers(steps_of(plant))
    for key, answer in told.items():
        step, _, name = key.partition("__")
        answers.give(f"{step}.{name}", answer)
    return outcome_of(plant, answers)


def test_signs_come_first_and_every_step_has_its_caution() -> None:
    steps = steps_of(_DEMO)
    assert steps[0].name == "signs"
    assert all(step.care and step.does and step.questions for step in steps)


def test_a_start_hump_is_no_part_of_the_mean() -> None:
    pulled = pulls_of([38.0, 27.0, 26.5, 27.5], 0.3)
    assert pulled is not None
    assert pulled.hump == 38.0
    assert pulled.steady.value == pytest.approx(27.0)
    # Three readings: their spread is widened by Student's t.
    assert pulled.steady.u == pytest.approx(((0.5 / 3**0.5 * 4.30 / 1.96) ** 2 + 0.3**2) ** 0.5)
    assert pulls_of([], 0.3) is None
    assert mean_of([5.0], 0.2) == Reading(5.0, 0.2)


def test_what_follows_is_as_sure_as_what_it_follows_from() -> None:
    product = derived(lambda x, y: x * y, Reading(10.0, 0.1), Reading(2.0, 0.02))
    assert product.u == pytest.approx(20.0 * (0.01**2 + 0.01**2) ** 0.5)


_PULLS = {
    "pull__rim_radius_m": 0.28, "pull__pulley_radius_m": 0.035, "pull__radius_u_mm": 0.5, "turns__wheel": 10.0,
    "turns__alternator": 80.0, "pull__idle_n": [32.0, 32.2, 31.8], "pull__pulley_idle_n": [25.0, 25.1, 24.9],
}  # fmt: skip


def test_more_torque_than_theory_and_the_loss_are_told_apart() -> None:
    found = worked(**_PULLS)
    assert found.get("theory_nm").value == pytest.approx(7.0)
    assert found.get("idle_nm").value == pytest.approx(8.96)
    assert found.get("excess_torque").value == pytest.approx(0.28)
    assert found.get("drive_loss").value == pytest.approx(0.21875)
    assert 0.005 < found.get("drive_loss").u < 0.05
    less = worked(**_PULLS | {"pull__idle_n": [20.0, 20.1, 19.9]})
    assert less.get("drive_loss") is None
    assert any("energy from nothing" in line for line in less.warnings)


_CONSTANTS = {
    "pull__pulley_radius_m": 0.0417, "pull__pulley_idle_n": [6.0, 6.1, 5.9], "pull__pulley_loaded_a": 3.0,
    "pull__pulley_loaded_n": [102.2, 102.1, 102.3], "volts__open_v": [22.6, 29.9], "volts__open_rpm": [165.0, 215.0],
}  # fmt: skip


def test_torque_per_ampere_and_volts_per_radian_are_one_constant() -> None:
    found = worked(**_CONSTANTS)
    assert found.get("nm_per_a").value == pytest.approx(1.337, abs=0.005)
    assert found.get("volts_per_rad_s").value == pytest.approx(1.337, rel=0.01)
    assert not found.warnings
    wrong = worked(**_CONSTANTS | {"pull__pulley_radius_m": 0.0834})
    (told,) = wrong.warnings
    assert "radius" in told
    assert "pole count" in told


def test_a_shunt_the_wrong_way_round_is_seen_and_its_zero_turns_with_it() -> None:
    found = worked(
        signs__battery_a_on=2.1,
        signs__battery_a_zero=-0.007,
        signs__charge_a_on=5.0,
        signs__charge_a_zero=0.01,
    )
    assert len(found.warnings) == 1
    assert "battery_a" in found.warnings[0]
    told = {(one.channel, one.key): one.value for one in found.entries}
    assert told == {
        ("battery_a", "invert"): True,
        ("battery_a", "zero_a"): 0.007,
        ("charge_a", "zero_a"): 0.01,
    }
    small = worked(signs__battery_a_on=-0.01, signs__battery_a_zero=-0.008)
    assert any("too little to tell" in line for line in small.warnings)
    flowing = worked(signs__battery_a_zero=-3.0)
    assert any("is no zero" in line for line in flowing.warnings)
    assert not flowing.entries


def test_a_flow_of_two_seconds_is_not_believed() -> None:
    found = worked(flow__bucket_l=20.0, flow__bucket_s=[2.0, 1.8, 2.2])
    assert found.get("bucket_l_s").value == pytest.approx(10.0)
    assert 1.96 * found.get("bucket_l_s").u > 1.5
    assert any("larger vessel" in line for line in found.warnings)
    sure = worked(flow__bucket_l=200.0, flow__bucket_s=[20.0, 20.2, 19.8])
    assert 1.96 * sure.get("bucket_l_s").u < 0.6
    assert not sure.warnings


_RUN = {
    "flow__bucket_l": 200.0, "flow__bucket_s": [20.0, 20.1, 19.9], "volts__loaded_v": 13.5, "volts__loaded_a": 5.4,
    "volts__bridge_v": 20.8, "volts__bridge_a": 3.83, "volts__loaded_rpm": 10.4, "pull__rim_radius_m": 0.8,
    "pull__idle_n": [14.0, 14.2, 13.8], "threshold__cutin_rpm": [6.7, 6.8, 6.7], "threshold__cutout_rpm": [6.3, 6.4, 6.3],
}  # fmt: skip


def test_efficiency_is_by_the_torque_that_is_demanded() -> None:
    found = worked(**_CONSTANTS | _RUN)
    water, shaft = found.get("water_w").value, found.get("shaft_w").value
    assert water == pytest.approx(1000 * 0.010 * 9.81 * 1.8, rel=0.003)
    assert found.get("wheel_efficiency").value == pytest.approx(shaft / water)
    assert 0.5 < found.get("wheel_efficiency").value < 0.85
    assert found.get("overall_efficiency").value == pytest.approx(13.5 * 5.4 / water)
    # What it could give is two times as much: a margin. An output over that would be no efficiency.
    assert found.get("pull_out_margin").value > 1.5
    assert "no efficiency" in found.get("pull_out_margin").note
    assert found.get("pull_out_margin").origin == "modelled"
    assert found.get("cut_out_margin").value == pytest.approx(10.4 / 6.333, rel=0.001)


def test_one_test_that_fails_leaves_the_others_standing() -> None:
    found = worked(**_RUN | {"flow__weir_m": 0.38, "flow__notch_deg": 25.0, "coast__from_rpm": 2.0, "coast__to_rpm": 3.0,
                             "coast__seconds": [4.0, 4.0, 4.1]})  # fmt: skip
    assert found.get("loaded_w") is not None
    assert any("coast-down" in line for line in found.warnings)
    assert found.get("coast_nm") is None


def test_a_rating_gives_back_what_was_gauged_and_is_unsure_outside() -> None:
    levels = [0.10, 0.14, 0.19, 0.25, 0.30]
    rating = fit_rating(levels, [320.0 * (level + 0.02) ** 2.4 for level in levels])
    assert rating.b == pytest.approx(2.4, abs=0.01)
    assert rating.zero_m == pytest.approx(-0.02, abs=0.001)
    inside, outside = rating.flow_l_s(0.2), rating.flow_l_s(0.45)
    assert inside.origin == "measured"
    assert outside.origin == "modelled"
    assert rating.flow_l_s(-0.1).value == 0.0
    noisy = fit_rating(
        levels,
        [320.0 * (h + 0.02) ** 2.4 * f for h, f in zip(levels, (1.03, 0.97, 1.02, 0.98, 1.01), strict=True)],
    )
    assert (
        noisy.flow_l_s(0.45).u / noisy.flow_l_s(0.45).value
        > noisy.flow_l_s(0.2).u / noisy.flow_l_s(0.2).value
        > 0.01
    )
    with pytest.raises(RatingError, match="do not rise"):
        fit_rating(levels, [5.0, 4.0, 3.0, 2.0, 1.0])
    with pytest.raises(RatingError, match="pairs or more"):
        fit_rating(levels[:3], [1.0, 2.0, 3.0])


_GAUGED = {
    "rating__stage_m": [0.10, 0.14, 0.19, 0.25, 0.30],
    "rating__flow_l_s": [2.03 * 1.03, 4.0 * 0.97, 7.6 * 1.02, 13.7 * 0.98, 20.3 * 1.01],
}  # fmt: skip


def test_gaugings_become_the_weir_of_plant_toml() -> None:
    text = _TEXT + STAGE
    found = worked(parse_plant(text), **_GAUGED)
    made = written_into(text, found.entries, _AT)
    weir = made.plant.weir
    assert isinstance(weir, RatedWeir)
    assert (weir.from_m, weir.to_m) == (0.10, 0.30)
    rating = rating_of(made.plant)
    assert rating is not None
    assert rating.flow_l_s(0.19) == pytest.approx(7.6, rel=0.03)
    # Five gaugings, each give or take 5 %, leave two degrees of freedom: surely worse than 3 %, and no worse than 20 %.
    assert 3.0 < weir.flow_u_pct < 20.0
    assert 'kind = "rating"' in made.text
    assert made.plant.changes[-1].before.weir is None
    again = written_into(made.text, found.entries, _AT + dt.timedelta(days=365))
    assert not again.changed
    # A rating of which a part was left out is none.
    assert not written_into(text, [one for one in found.entries if one.key != "zero_m"], _AT).changed


def test_gaugings_are_not_written_beside_a_notch_or_without_a_sensor() -> None:
    notch = '\n[weir]\nkind = "v-notch"\nnotch_deg = 90.0\ncrest_height_m = 0.8\nchannel_width_m = 1.6\n'
    for text, said in ((_TEXT, "gives stage_m"), (_TEXT + STAGE + notch, "% off it: its zero")):
        found = worked(parse_plant(text), **_GAUGED)
        assert not found.entries
        assert any(said in line for line in found.warnings)
        assert found.get("rated_l_s") is not None


_COASTED = {
    "pull__rim_radius_m": 0.8, "pull__idle_n": [14.0, 14.2, 13.8], "coast__from_rpm": 8.0, "coast__to_rpm": 2.0,
    "coast__seconds": [4.0, 4.1, 4.0],
}  # fmt: skip


def test_pull_and_coast_down_give_the_moment_of_inertia_once() -> None:
    found = worked(**_COASTED)
    inertia = found.get("inertia_kg_m2")
    # 11.2 N m, and 0.44 N m of drag, take 0.628 rad/s in 4.03 s: by hand.
    assert inertia.value == pytest.approx((11.2 + 0.44) * 4.03 / 0.628, rel=0.005)
    made = written_into(_TEXT, found.entries, _AT)
    wheel = made.plant.wheel
    assert wheel.inertia_kg_m2 == pytest.approx(inertia.value, rel=0.005)
    assert wheel.inertia_u_pct == pytest.approx(100 * inertia.u / inertia.value, rel=0.05)
    # Next year's friction is another, and what turns is not.
    later = worked(
        made.plant, **_COASTED | {"pull__idle_n": [17.0, 17.2, 16.8], "coast__seconds": [3.3, 3.3, 3.4]}
    )
    assert not [one for one in later.entries if one.table == "wheel"]
    assert later.get("coast_nm").value > 1.15 * found.get("coast_nm").value
    wet = worked(**_COASTED | {"coast__seconds": [9.0, 9.1, 9.0]})
    assert any("buckets" in line for line in wet.warnings)


def test_answers_are_a_file_that_people_can_read() -> None:
    answers = Answers(steps_of(_DEMO))
    answers.give("pull.rim_radius_m", 0.8)
    answers.give("pull.idle_n", [30.0, 18.0, 18.5])
    text = answers.text("a morning")
    assert tomllib.loads(text) == {"pull": {"rim_radius_m": 0.8, "idle_n": [30.0, 18.0, 18.5]}}
    again = Answers(steps_of(_DEMO))
    again.read(text, "a file")
    assert again.text("a morning") == text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[pull]\nrim = 1", "nothing of that name"),
        ("[pull]\nrim_radius_m = 80", "outside what is believed"),
        ("[pull]\nrim_radius_m = [1, 2]", "one number is wanted"),
        ("[pull]\nidle_n = 20", "3 or more"),
        ('[pull]\nrim_radius_m = "wide"', "write a number"),
        ("pull = 3", "write a table"),
        ("[pull", "not TOML"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_by_name(text: str, said: str) -> None:
    with pytest.raises(AnswerError, match=said):
        Answers(steps_of(_DEMO)).read(text, "a file")


def test_plant_toml_keeps_its_comments_its_order_and_its_past() -> None:
    found = worked(**_CONSTANTS | _RUN | {"signs__charge_a_on": 5.0, "signs__charge_a_zero": 0.004})
    made = written_into(_TEXT, found.entries, _AT)
    assert [line for line in _TEXT.splitlines() if line.startswith("#")] == [
        line for line in made.text.splitlines() if line.startswith("#")
    ]
    assert "# mean DC volts after the bridge" in made.text
    assert "2026-05-02: what it showed with its circuit open" in made.text
    told = made.plant
    sensor = told.sensor("charge_a")
    assert sensor is not None
    assert sensor.zero_a == 0.004  # type: ignore[union-attr]
    assert told.changes[-1].what == "bench tests"
    before = plant_at(told, 0)
    assert set(before.sensors) == set(_DEMO.sensors)
    assert (before.wheel, before.alternator, before.converter, before.limits) == (
        _DEMO.wheel, _DEMO.alternator, _DEMO.converter, _DEMO.limits,
    )  # fmt: skip
    assert (
        any(move.name == "slow_rpm" and "bench test" in move.reason for move in made.limits)
        or told.limits.slow_rpm == 6.5
    )
    again = written_into(made.text, found.entries, _AT + dt.timedelta(days=365))
    assert not again.changed
    assert again.text == made.text


def test_a_second_year_s_comment_takes_the_place_of_the_first() -> None:
    first = written_into(_TEXT, [Entry(table="alternator", key="iron_nm", value=0.3, why="pulled")], _AT)
    second = written_into(
        first.text,
        [Entry(table="alternator", key="iron_nm", value=0.35, why="pulled")],
        _AT + dt.timedelta(days=365),
    )
    assert "2027-05-02: pulled" in second.text
    assert "2026-05-02: pulled" not in second.text
    assert [change.before.alternator.iron_nm for change in second.plant.changes] == [0.25, 0.3]


def test_what_the_plant_cannot_be_is_not_written() -> None:
    with pytest.raises(PlantError):
        written_into(_TEXT, [Entry(table="converter", key="efficiency", value=1.4, why="")], _AT)
    with pytest.raises(WriteError, match="load_a"):
        written_into(_TEXT, [Entry(table="sensor", channel="load_a", key="zero_a", value=0.1, why="")], _AT)


def test_service_intervals_may_be_told() -> None:
    assert parse_plant(_TEXT + "\n[service]\nbelt_mturns = 120.0\n").service.belt_mturns == 120.0
    assert _DEMO.service.alarm_days == 30
    with pytest.raises(PlantError, match="hydrometer_days"):
        parse_plant(_TEXT + "\n[service]\nhydrometer_days = 1\n")


def test_results_as_json_name_their_unit_and_origin() -> None:
    told = outcome_json(worked(**_RUN))
    assert {"key", "value", "u", "low", "high", "unit", "origin"} <= told["results"][0].keys()
