"""Energy and speed by the firmware's own chain of chip, driver and sums, against plants whose truth is known.

`make bench-node` measures for hours what is looked at here for minutes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from accuracy import measure, scripted
from interpreters import needs_micropython

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = needs_micropython


def test_energy_with_load_steps_failed_reads_and_starts_anew(tmp_path: Path) -> None:
    starts = [3000, 3010, 9000]
    found = measure(tmp_path, scripted(10.4373, 4, 600, seed=5, starts=starts), 4, starts)
    assert found.starts == 3, "the one of half a second made no record"
    assert found.unmeasured_ms > 500
    # Of 74 windows of the chip one counts twice: over minutes, with loads from 5 to 400 W, that is a few thousandths.
    assert found.energy_error_pct < 0.3


def test_f33_five_watts_are_five_watts(tmp_path: Path) -> None:
    found = measure(tmp_path, scripted(8.0, 3, 300, seed=6, watts=5.0), 3, missed_w=5.0)
    assert found.given_j == pytest.approx(5 * 290, abs=60)
    # A milliwatt hour not yet full, and what half a step of the shunt's voltage makes of 0.6 mV, over its steps.
    assert abs(found.counted_j - found.given_j) < 3.6 + 0.001 * found.given_j


@pytest.mark.parametrize(("rpm", "magnets"), [(5.0007, 1), (59.9777, 8)])
def test_f20_speed_at_both_ends_with_uneven_magnets(tmp_path: Path, rpm: float, magnets: int) -> None:
    found = measure(tmp_path, scripted(rpm, magnets, 100, seed=magnets), magnets)
    assert found.true_rpm == pytest.approx(rpm, rel=1e-4)
    assert found.speed_error_pct < 0.1
