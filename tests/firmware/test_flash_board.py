"""The journal on MicroPython and the real littlefs: power cuts, a full flash, wear, and weeks without a host."""

from __future__ import annotations

import asyncio
from typing import Any

import flash_month
import pytest
from interpreters import running

pytestmark = pytest.mark.slow


def report(script: str, *arguments: str, heap: str = "64m") -> Any:
    """Run a script on MicroPython and return what it reports."""

    async def run() -> Any:
        async with running("micropython", script, *arguments, heap=heap) as process:
            return await process.finished(240)

    return asyncio.run(run())


# Records of 10 s are folded; of those of a quarter of an hour, which fold no further, the oldest are given up.
@pytest.mark.parametrize(("span_ms", "given_up"), [(10_000, False), (900_000, True)])
def test_f26_a_power_cut_at_any_moment_loses_nothing_that_was_flushed(
    span_ms: int, *, given_up: bool
) -> None:
    found = report("flash_power_cuts.py", str(span_ms))
    assert found.pop("cuts") > 400
    assert found.pop("erases") > 40
    assert found.pop("grain") >= 1
    assert (found.pop("given_up") > 0) is given_up
    assert found == dict.fromkeys(found, 0)
    assert set(found) >= {"mount_failures", "lost", "wrong", "doubled", "holes", "boots_twice"}


def test_f26_a_full_flash_is_survived_and_eight_blocks_stay_free() -> None:
    found = report("flash_full.py")
    assert found["least_free"] >= 8
    assert found["lost_before"] == 0
    assert found["free_when_full"] == 0
    assert found["failures"] > 0
    assert "No" in found["said"] or "28" in found["said"]
    assert found["newest_when_full"] == found["made_when_full"]
    assert found["newest_after"] == found["made_after"]
    assert found["failures_after"] == 0


def test_f26_two_days_without_a_host_are_booked_to_the_milliwatt_hour() -> None:
    # A fifth of the flash of a Pico W: its levels are as full after two days as those of all of it after ten.
    month = flash_month.live(2, 84, 42, 4)
    assert month.report["complete"], "it had its damaged byte and its power cut in a fold"
    assert month.booked == month.truth
    assert month.truth["charge_mwh"] > 4_000_000
    assert set(month.decisions) == {"Booked"}
    assert month.decisions["Booked"] == month.report["held"]
    assert month.report["lost"] == 0
    assert month.report["least_free"] >= 8
    assert max(month.longest_ms) == 900_000
    assert month.gaps <= 60, "one damaged record, or a minute's worth where records were joined already"


def test_f26_the_wear_is_spread_over_all_blocks() -> None:
    month = flash_month.live(1, 84, 42, 12)
    flushes = 24 * 60
    assert month.report["erases"] < 2 * flushes
    # littlefs moves a block of metadata on after 100 erasures: `block_cycles` in extmod/vfs_lfsx.c of MicroPython.
    assert month.report["hottest"] <= 100 + 3 * month.report["erases"] / 42
    assert month.booked == month.truth
