"""A few of the kills and shortages of `make crash`, by the same code: nothing lost, nothing double, no receipt too early."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.bench.crash import (
    SHORT,
    Extent,
    Found,
    broker_killed,
    disk_refuses,
    log_cut,
    order_traced,
    serve_killed,
)
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


def test_the_broker_killed_and_the_disk_refusing(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    for name, part in (("broker", broker_killed), ("disk", disk_refuses), ("cut", log_cut)):
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
