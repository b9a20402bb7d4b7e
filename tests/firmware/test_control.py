"""Settings and orders from the host, the log of faults, fast starts: played through on MicroPython and on CPython."""

from __future__ import annotations

import asyncio
from functools import cache
from tempfile import TemporaryDirectory
from typing import Any

from interpreters import BOTH, running


@cache
def report(interpreter: str) -> Any:
    async def play() -> Any:
        with TemporaryDirectory() as folder:
            async with running(interpreter, "control_probe.py", folder, heap="1m") as probe:
                return await probe.finished()

    return asyncio.run(play())


@BOTH
def test_settings_are_tried_and_stay_once_the_broker_is_reached_with_them(interpreter: str) -> None:
    found = report(interpreter)["applied"]
    assert found["tried"] == [[["trying", []]], True]  # answered, then a restart
    assert (found["on flash"], found["record_s"]) == (2, 20)
    assert found["then"] == found["at the next start"] == [[["applied", []]], False]
    assert found["stays"] == [False, 2, 0]


@BOTH
def test_settings_that_are_wrong_are_refused_by_field_and_change_nothing(interpreter: str) -> None:
    found = report(interpreter)["refused"]
    for name, told in (
        ("field", "record_s 7: use 5, 6, 10, 12, 15, 20, 30 or 60"),
        ("secret", "wifi_password: is not a field of these settings"),
        ("node", "site and node are changed at the board"),
        ("same revision", "1 is in force with other contents, give a higher one"),
        ("broken", "revision must be a whole number"),
    ):
        (((state, (problem, *_)),), restarts) = found[name]
        assert state == "refused"
        assert told in problem
        assert not restarts
    assert found["empty"] == [[], False]  # the broker keeps none any more
    assert (found["in force"], found["in the birth"]) == (1, 1)


@BOTH
def test_settings_with_which_the_broker_is_not_reached_are_taken_back_and_then_refused_for_good(
    interpreter: str,
) -> None:
    found = report(interpreter)["broker_not_reached"]
    assert (found["early"], found["late"], found["in force"]) == (False, True, 1)
    assert found["said"] == [["trying", ["rolled back once: the broker was not reached within 5 minutes"]]]
    assert found["again"] == [[["trying", []]], True]
    assert found["late again"] is True
    for ((state, _),), restarts in found["for good"]:
        assert state == "rolled-back"
        assert not restarts  # a broker that keeps them starts no loop
    assert found["in the birth"] == 2
    assert found["corrected"] == [[["trying", []]], True]


@BOTH
def test_a_broker_that_is_only_away_takes_no_good_settings_back(interpreter: str) -> None:
    waits, answer, in_force, on_trial = report(interpreter)["broker_away"]
    assert waits == [False, False, False]
    assert (answer, in_force, on_trial) == ([["applied", []]], 2, 0)


@BOTH
def test_f26_a_power_cut_at_any_step_leaves_whole_settings_and_new_ones_on_trial(interpreter: str) -> None:
    found = report(interpreter)["power_cuts"]
    assert len(found["begin"]) >= 3
    assert len(found["roll back"]) >= 3
    for revision, on_trial in found["begin"] + found["roll back"]:
        assert (revision, on_trial) in {(1, 0), (2, 2)}
    assert found["begin"][-1] == [2, 2]
    assert found["roll back"][-1] == [1, 0]


@BOTH
def test_f29_settings_with_which_the_node_does_not_stay_up_are_taken_back(interpreter: str) -> None:
    assert report(interpreter)["crashing"] == [6, [2]]


@BOTH
def test_an_order_is_done_once_answered_each_time_and_only_while_it_holds(interpreter: str) -> None:
    found = report(interpreter)["orders"]
    done = [[["done", ""]], False]
    assert found["no clock"][0][0][0] == "refused"
    assert found["identify"] == done
    assert found["blinks"] == [8, 0]  # 2 s at 2 Hz, and dark in the end
    assert found["expired"][0][0][0] == "expired"
    assert found["quiet"] == [done, done, [60_000]]  # answered twice, done once
    assert found["unknown"][0][0][0] == found["too long"][0][0][0] == "refused"
    assert found["restart"] == [[["done", ""]], True]
    assert found["again after it"] == done  # not restarted once more
    assert found["without id"] == "an order without an id"


@BOTH
def test_f26_the_log_of_faults_is_bounded_in_size_and_in_writes(interpreter: str) -> None:
    found = report(interpreter)["faults"]
    assert found["an hour"] <= 6
    assert max(found["sizes"]) <= 4096
    assert found["newest"].endswith(" the last one")
    assert found["repeated"] == []


@BOTH
def test_f29_f34_five_fast_starts_lead_to_the_minimal_mode_and_power_cuts_do_not(interpreter: str) -> None:
    found = report(interpreter)["starts"]
    assert found["minimal"][:6] == [False, False, False, False, True, True]
    assert found["leaves"] == [False, True]
    assert found["minimal"][6:] == [
        False,
        True,
        False,
    ]  # one whole start, then back; an ordered restart ends it
    assert found["steady"] == 0
    assert found["power cuts"] is False


@BOTH
def test_a_forgotten_switch_reminds_and_then_counts_no_more(interpreter: str) -> None:
    expected = [(0, 0), (0, 0), (1, 0), (1, 1), (0, 1), (0, 0), (1, 0)]  # parked, reminder
    assert report(interpreter)["switch"] == [[bool(parked), bool(reminds)] for parked, reminds in expected]


@BOTH
def test_a_copied_flash_begins_a_journal_of_its_own(interpreter: str) -> None:
    assert report(interpreter)["second_board"] == {"same": True, "boots": [1, 2, 1], "new": True}
