"""The guard at the wheel, on MicroPython and on CPython: what it drives, what it leaves alone, what it never forgets.

Limits are those of the example plant: warning 40 V, guard 50 V, battery 15.0 V at 25 °C with -24 mV/°C. That runaway
takes 0.3 to 3 s, so that an on-delay of 0.2 to 0.5 s is right: common practice, no source.
"""

from __future__ import annotations

import asyncio
from functools import cache
from importlib import import_module
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from interpreters import BOTH, running
from test_settings import GOOD

settings: Any = import_module("node.settings")


@cache
def report(interpreter: str) -> Any:
    async def play() -> Any:
        with TemporaryDirectory() as folder:
            async with running(interpreter, "guard_probe.py", folder) as probe:
                return await probe.finished()

    return asyncio.run(play())


@BOTH
def test_runaway_acts_within_half_a_second_and_normal_life_never_does(interpreter: str) -> None:
    found = report(interpreter)["runaway"]
    assert found["normal"] == []
    assert found["test and spike"] == [[], 0]
    assert found["warning"] == [["rectified_high"], 0]
    assert found["blinks"]
    assert 200 <= found["acts after ms"] <= 500
    assert found["over"] == [["rectified_over"], ["rectified_over"]]
    assert found["lamp"] == [1, 1]
    assert report(interpreter)["beyond"] == 1  # a voltage that rises beyond what the input can show


@BOTH
def test_what_has_acted_stays_until_it_is_reset_by_hand_after_the_cause_has_gone(interpreter: str) -> None:
    found = report(interpreter)["runaway"]
    assert found["not reset while it is over"] == 1
    assert found["after"] == [[], 1]
    assert found["after a restart"] == [1, ["rectified_over"]]
    assert found["a stuck button"] == 1
    assert found["reset"] == [0, []]
    assert found["stays reset"] == 0
    assert found["an unreadable latch"] == 1
    assert "guard: not reset, the cause is still there" in found["heard"]
    assert found["heard"][-1] == "guard: reset at the wheel"


@BOTH
def test_a_relay_that_is_held_in_drops_when_it_acts(interpreter: str) -> None:
    assert report(interpreter)["held"] == [1, 0]


@BOTH
def test_an_order_to_be_quiet_silences_the_buzzer_and_never_the_guard(interpreter: str) -> None:
    found = report(interpreter)["quiet"]
    assert found["silenced"] == [0, 1, ["rectified_over"], 59_000]
    # Something else that goes wrong is heard at once.
    assert found["something else"] == [1, ["rectified_over", "battery_over"]]
    assert found["acts while quiet"] == [1, 1]


@BOTH
def test_a_cold_battery_stands_more_and_an_unknown_one_counts_as_cold(interpreter: str) -> None:
    found = report(interpreter)["battery"]
    assert found["soon"] == []
    assert found["warm"] == [["battery_over"], 0]  # told, and nothing is set off for it
    assert found["after"] == found["cold"] == found["no temperature"] == []


@BOTH
def test_a_jam_is_a_stall_and_a_wheel_that_runs_down_or_is_parked_is_none(interpreter: str) -> None:
    found = report(interpreter)["stall"]
    # Four magnets at 10 rpm: 1.5 s between two; twice that and a fifth, and 10 s.
    assert 13_500 <= found["jam after ms"] <= 13_800
    assert found["jam"] == found["rocking"] == ["stall"]
    assert found["acted"] == 0
    assert found["turns again"] == found["ran down"] == found["parked"] == []
    assert found["parked and over"] == [["rectified_over"], 1]  # parked or not, over-voltage is over-voltage
    assert found["racing"] == [["overspeed"], 0]


@BOTH
def test_a_sensor_fault_that_blinds_the_guard_is_told_and_sets_nothing_off(interpreter: str) -> None:
    soon, found, after = report(interpreter)["blind"]
    assert (soon, found, after) == ([], [["blind"], ["rectified_v"], 0], [])
    assert report(interpreter)["stall"]["current flows"] == [["blind"], ["wheel_rpm"]]


def test_f22_f32_a_sample_of_the_guard_allocates_nothing_even_when_it_acts() -> None:
    assert report("micropython")["allocates"] == [False, 1]


@pytest.mark.parametrize(
    ("guard", "told"),
    [
        ({"act_pin": 18}, "guard.act_pin 18: needs reset_pin"),
        (
            {"rectified": {"limit_mv": 50_000, "on_ms": 900}},
            "guard.rectified.on_ms 900: must lie between 200 and 500",
        ),
        (
            {"rectified": {"limit_mv": 50_000, "warning_mv": 60_000}},
            "guard.rectified.warning_mv 60000: must be at most limit_mv",
        ),
        ({"lamp_pin": 15}, "guard.lamp_pin 15: this pin is already used by wheel.pin"),
        ({"act_on": ["stall"]}, 'guard.act_on ["stall"]: must be a list of some of'),
        ({"siren": 1}, "guard.siren: is not a field of these settings"),
    ],
)
def test_settings_of_the_guard_that_are_wrong_are_told_by_field(guard: dict[str, Any], told: str) -> None:
    with pytest.raises(settings.SettingsError) as caught:
        settings.Settings({**GOOD, "guard": guard}, {})
    assert any(problem.startswith(told) for problem in caught.value.problems), caught.value.problems


def test_a_limit_without_its_channel_is_refused() -> None:
    channels = {
        name: told for name, told in GOOD["channels"].items() if name not in {"battery_v", "charge_a"}
    }
    told = {**GOOD, "channels": channels, "guard": {"battery": {"limit_mv": 15_000}}}
    with pytest.raises(settings.SettingsError, match=r"guard\.battery .*needs battery_v"):
        settings.Settings(told, {})
