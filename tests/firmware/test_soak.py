"""Hours of random faults in virtual time: the host's books equal the plant, record by record, in whole numbers.

`make soak` does the same for a day and with a new seed each time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from interpreters import needs_micropython
from soak import Soak

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = needs_micropython


def test_f12_f28_a_radio_whose_calls_never_return_costs_a_start_and_a_minute_at_most(tmp_path: Path) -> None:
    soak = Soak(tmp_path, 2, 0.05, mean_s=1e6, rest_s=60)
    try:
        soak.after(65_050, soak._radio_hangs)
        soak.after(90_050, soak._radio_works)
        verdict = soak.live()
    finally:
        soak.close()
    assert not verdict.wrong, soak.story()
    assert [what for _, what in soak.history] == [
        "the radio hangs",
        "restarted by the watchdog",
        "the radio works",
    ]
    assert (verdict.boots, soak.restarts) == (2, 1)


@pytest.mark.slow
def test_f03_f07_f25_f26_f34_random_faults_for_half_an_hour_are_booked_to_the_last_joule(
    tmp_path: Path,
) -> None:
    soak = Soak(tmp_path, 8, 0.4, mean_s=60, rest_s=120)
    try:
        verdict = soak.live()
    finally:
        soak.close()
    assert not verdict.wrong, soak.story()
    happened = {what for _, what in soak.history}
    assert happened >= {
        "broker killed", "Wi-Fi gone", "bus stuck", "others fill the flash", "power cut", "restarted by the watchdog",
        "messages of records are lost between broker and host",
    }  # fmt: skip
    assert verdict.boots > 2
    assert verdict.rows > 150
    assert verdict.booked_mwh > 0


def test_books_that_are_not_the_plants_are_noticed(tmp_path: Path) -> None:
    soak = Soak(tmp_path, 1, 0.03, mean_s=1e6, rest_s=60)
    try:
        verdict = soak.live()
        assert not verdict.wrong
        soak.seed += 1
        assert soak.judge().wrong
    finally:
        soak.close()
