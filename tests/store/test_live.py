"""The newest values: the last message of each node, and a file that may be lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from wheelpit.contract.messages import Live
from wheelpit.store.live import LiveReader, LiveStore

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def payload(up_ms: int) -> bytes:
    told: dict[str, Any] = {"journal": "0" * 16, "boot": 1, "up_ms": up_ms, "at_ms": None, "clock": "none"}
    return msgspec.json.encode(
        Live(**told, state="turning", edge_age_ms=5, edge_gap_ms=None, values={"battery_v": 12.5})
    )


def test_the_newest_message_of_each_node_is_kept(tmp_path: Path) -> None:
    store = LiveStore(tmp_path / "live.db")
    reader = LiveReader(tmp_path / "live.db")
    store.keep("site", {"wheel": (1_000, payload(1)), "house": (1_500, payload(2))})
    store.keep("site", {"wheel": (2_000, payload(3))})
    store.keep("other", {"wheel": (3_000, payload(4))})
    assert [(row.node, row.arrived_ms, row.live.up_ms) for row in reader.latest("site")] == [
        ("house", 1_500, 2),
        ("wheel", 2_000, 3),
    ]
    store.close()


def test_a_file_that_is_not_there_or_empty_holds_nothing(tmp_path: Path) -> None:
    reader = LiveReader(tmp_path / "live.db")
    assert reader.latest("site") == []
    (tmp_path / "live.db").touch()
    assert reader.latest("site") == []


def test_a_damaged_file_is_made_anew(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "live.db"
    path.write_bytes(b"torn by a power cut " * 500)
    store = LiveStore(path)
    store.keep("site", {"wheel": (1, payload(1))})
    store.close()
    assert "made anew" in caplog.text
    assert len(LiveReader(path).latest("site")) == 1
