"""After five starts in a row that came too soon a node leaves out what it can, and says so; the guard stays."""

from __future__ import annotations

import json
import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

import msgspec
import pytest
from test_settings import GOOD

from bench import Board
from wheelpit.contract.messages import Birth, Live

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

app: Any = import_module("node.app")
settings: Any = import_module("node.settings")

MORE: dict[str, Any] = {
    "alternator": {"pin": 16, "pulses_per_turn": 8},
    "parked_pin": 14,
    "guard": {"lamp_pin": 17, "rectified": {"limit_mv": 50_000}, "battery": {"limit_mv": 15_000}},
}


class WholeBoard(Board):
    """A bench board with what a whole node asks of one."""

    name = "bench"
    chip = "7a11"

    def __init__(self, cause: str) -> None:
        super().__init__()
        self.cause = cause
        self.restarts = 0
        self.levels: dict[Any, int] = {}
        self.wlan = self

    def reset_cause(self) -> str:
        return self.cause

    def output(self, pin: Any) -> Callable[[int], None]:
        self.levels[pin] = 0

        def put(level: int) -> None:
            self.levels[pin] = level

        return put

    def one_wire(self, _pin: int) -> Any:
        return self

    def reset(self) -> bool:
        """Nobody answers on the one-wire bus."""
        return False

    def watchdog(self, _ms: int) -> Any:
        return self

    def feed(self) -> None:
        """Take the watchdog's food."""

    def restart(self) -> None:
        self.restarts += 1

    def random_bytes(self, count: int) -> bytes:
        return bytes(count)

    def open_connection(self, *_: object) -> Any:
        raise OSError(sys.maxsize)


def started(folder: Path, cause: str) -> Any:
    told = GOOD | MORE
    told["channels"] = GOOD["channels"] | {"water_degc": {"chip": "ds18b20", "wire_pin": 22}}
    (folder / "settings.json").write_text(json.dumps(told))
    return app.Node(WholeBoard(cause), settings.load(str(folder)), str(folder))


def birth_of(node: Any) -> Birth:
    return msgspec.json.decode(json.dumps(node.birth()), type=Birth)


def test_f29_f34_five_fast_starts_leave_out_what_is_optional_and_the_birth_says_so(tmp_path: Path) -> None:
    for number in range(1, 5):
        birth = birth_of(started(tmp_path, "watchdog"))
        assert (birth.mode, birth.boot, birth.reset) == ("normal", number, "watchdog")
        assert {"alternator_rpm", "water_degc"} <= set(birth.channels)
    node = started(tmp_path, "watchdog")
    birth = birth_of(node)
    assert birth.mode == "minimal"
    assert set(birth.channels) == {"wheel_rpm", *GOOD["channels"]}
    assert birth.last_fault.endswith("minimal mode: 5 starts in a row came too soon")
    assert node.guard is not None
    # Switching the power off and on ends it.
    assert birth_of(started(tmp_path, "power")).mode == "normal"


def test_the_newest_values_say_what_the_guard_finds_and_how_long_the_switch_is_closed(tmp_path: Path) -> None:
    node = started(tmp_path, "power")
    board = node.board
    board.closed = True
    for _ in range(150):
        board.pass_ms(100)
        node.sampler.sample()
    node.look()
    message = node.link._live()
    live = msgspec.json.decode(message.payload(), type=Live)
    assert live.state == "parked"
    assert live.parked_ms == pytest.approx(14_800, abs=200)
    assert live.guard is not None
    assert (live.guard.alarms, live.guard.latched, live.guard.quiet_ms) == ([], [], 0)


def test_a_restart_that_is_due_takes_everything_to_the_flash_first(tmp_path: Path) -> None:
    node = started(tmp_path, "power")
    for _ in range(30):
        node.board.pass_ms(1000)
        node.sampler.sample()
    held = node.journal.held
    assert held >= 2
    node.log.fault("the last words")
    node.restart()
    assert node.board.restarts == 1
    again = started(tmp_path, "restart")
    assert again.journal.id == node.journal.id
    assert again.journal.held == held
    assert "the last words" in (tmp_path / "state" / "faults").read_text()
