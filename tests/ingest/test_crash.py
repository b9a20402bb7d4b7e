"""A few of the kills and shortages of `make crash`, by the same code: nothing lost, nothing double, no receipt too early."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.bench.crash_disk import disk_read_only, disk_refuses, write_protectable
from tests.bench.crash_drain import SHORT, Extent, Found
from tests.bench.crash_kills import broker_killed, serve_killed
from tests.bench.crash_log import log_cut, order_traced
from tests.bench.small_disk import disk_full, way_in
from tests.bench.struck import POINTS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.slow


def nothing_is_wrong(found: Found) -> bool:
    return (found.lost, found.double, found.wrong, found.ahead) == (0, 0, 0, 0)


def test_killed_at_each_named_point(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    found = serve_killed(tmp_path, Extent(serve_kills=len(POINTS) + 1))
    assert nothing_is_wrong(found), found
    assert {point for point in POINTS if found.counts[f"killed {point}"]} == set(POINTS)


def test_the_broker_killed_and_the_log_cut(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    for name, part in (("broker", broker_killed), ("cut", log_cut)):
        folder = tmp_path / name
        folder.mkdir()
        found = part(folder, SHORT)
        assert nothing_is_wrong(found), (name, found)


def test_no_receipt_before_the_log_is_on_the_disk(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    needs("strace")
    found = order_traced(tmp_path, SHORT)
    assert nothing_is_wrong(found), found
    assert found.counts["receipts_traced"] >= 60


def test_a_disk_that_runs_full(tmp_path: Path, needs: Callable[[str], str]) -> None:
    """On a small file system of its own; where none may be mounted, with a limit on the size of files."""
    needs("mosquitto")
    if way_in(tmp_path) is None:
        found = disk_refuses(tmp_path, SHORT)
        assert found.counts["disk_refuses_all"] == 1
    else:
        found = disk_full(tmp_path, SHORT)
        assert found.counts["starts_on_a_full_disk"] == found.counts["starts_on_a_read_only_disk"] == 1
    assert nothing_is_wrong(found), found
    assert found.counts["commits_refused"] > 0


def test_a_disk_that_becomes_read_only(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    if not write_protectable(tmp_path):
        pytest.skip("open files cannot be made read-only here: that needs root, chattr and such as ext4")
    found = disk_read_only(tmp_path, SHORT)
    assert nothing_is_wrong(found), found
    assert found.counts["disk_read_only"] == 1
