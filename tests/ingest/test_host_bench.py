"""The parts of `make bench-host`, small: they run and give their keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from tests.bench.bench_host import bare, drain

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.mark.slow
def test_a_small_drain_is_measured(tmp_path: Path, needs: Callable[[str], str]) -> None:
    needs("mosquitto")
    found: dict[str, tuple[float, str]] = {}
    for name, part in (("bare", bare), ("drain", drain)):
        folder = tmp_path / name
        folder.mkdir()
        found |= part(folder, 400)
    assert found["serial_bound_records_per_s"][0] < min(
        found[f"{name}_records_per_s"][0] for name in ("json", "executemany", "paho")
    )
    assert found["drain_7d_s"][0] > 0
    assert found["live_delay_during_drain_s"][0] >= 0
