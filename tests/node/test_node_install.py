"""The firmware goes over a real serial protocol onto a real littlefs; the far end is MicroPython itself."""

from __future__ import annotations

import hashlib
import json
import time
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.node.boards import board_kind
from wheelpit.node.bundle import BoardFile, compile_all
from wheelpit.node.console import Console, ConsoleError
from wheelpit.node.install import LIST_FILE
from wheelpit.plant import demo_plant_path, load_plant, node_settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result
    from tests.node.conftest import FakeBoard, MakeBoard

pytestmark = pytest.mark.slow
PATIENCE_S = 20.0


@pytest.fixture(scope="module")
def firmware() -> dict[str, bytes]:
    return {file.path: file.data for file in compile_all(board_kind("pico-w"))}


def _install(board: FakeBoard, *words: str) -> Result:
    plant = ["--plant", str(demo_plant_path()), "--broker-host", "broker.local", "--port", board.port]
    return CliRunner().invoke(main, ["node", "install", *plant, *words])


def _put(board: FakeBoard, files: dict[str, bytes]) -> None:
    with Console(board.port) as console:
        console.stop()
        console.make_folder("node")
        for path, data in files.items():
            console.write(path, data, hashlib.sha256(data).hexdigest(), lambda _: None)


def _wait(what: Callable[[], bool], board: FakeBoard) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end, bytes(board.said[-2000:]).decode(errors="replace")
        time.sleep(0.1)


def _ours(told: dict[str, bytes], firmware: dict[str, bytes]) -> dict[str, bytes]:
    return {path: data for path, data in told.items() if path in firmware}


def test_it_goes_over_starts_and_is_interrupted_again(
    boards: MakeBoard, firmware: dict[str, bytes], tmp_path: Path
) -> None:
    board = boards()
    secrets = tmp_path / "secrets.json"
    secrets.write_text('{"wifi_ssid": "mill", "wifi_password": "long enough", "broker_user": ""}')
    first = _install(board, "--secrets", str(secrets))
    assert first.exit_code == 0, first.output
    assert f"{len(firmware) + 2} files" in first.output
    _wait(lambda: board.starts > 1, board)
    held = board.files()
    assert _ours(held, firmware) == firmware
    derived = node_settings(load_plant(demo_plant_path()), "wheel", "broker.local", 1883)
    assert json.loads(held["settings.json"]) == derived | {"lamp": "LED"}
    assert json.loads(held["secrets.json"]) == {"wifi_ssid": "mill", "wifi_password": "long enough"}
    assert set(json.loads(held[LIST_FILE])["files"]) == set(firmware)

    # The compiled node runs by now. It answers Ctrl-C with a restart, and then waits for a person.
    _wait(lambda: b"joining mill" in board.said, board)
    starts = board.starts
    again = _install(board, "--broker-port", "8883")
    assert again.exit_code == 0, again.output
    assert f"0 files, 0 B to copy; {len(firmware)} there already" in again.output
    assert "settings.json (another than this command would write; --settings replaces it)" in again.output
    _wait(lambda: board.starts == starts + 2, board)  # one at Ctrl-C, one at the end
    assert board.files()["settings.json"] == held["settings.json"]


def test_an_older_version_goes_and_nothing_else(boards: MakeBoard, firmware: dict[str, bytes]) -> None:
    board = boards()
    others = {
        "notes.txt": b"grease in March",
        "settings.json": b'{"site": "elsewhere"}',
        "node/mine.py": b"pass",
        "journal.bin": b"recorded",
    }
    older = {"node/gone.mpy": b"M", "node/app.py": b"raise SystemExit", "hal.py": b"1/0"}
    listed = {"firmware": "0.0.1", "files": ["node/gone.mpy", "notes.txt", "../etc", "node/not-there.mpy", 7]}
    _put(board, {**others, **older, LIST_FILE: json.dumps(listed).encode()})

    looked = _install(board, "--dry-run")
    assert looked.exit_code == 0, looked.output
    assert "Nothing was changed" in looked.output
    assert set(board.files()) == {*others, *older, LIST_FILE}

    done = _install(board)
    assert done.exit_code == 0, done.output
    for path in older:
        assert f"remove  {path}" in done.output
    assert "leave   node/mine.py (not ours)" in done.output
    held = board.files()
    assert held.pop(LIST_FILE)
    assert held == {**others, **firmware}

    replaced = _install(board, "--settings")
    assert replaced.exit_code == 0, replaced.output
    assert json.loads(board.files()["settings.json"])["site"] == "sallow-ghyll"


def test_a_pulled_cable_leaves_whole_files_and_the_next_run_finishes(
    boards: MakeBoard, firmware: dict[str, bytes]
) -> None:
    board = boards()
    board.cut_after = 45_000
    broken = _install(board)
    assert broken.exit_code == 2
    assert "The board holds part of the new firmware: run the command again." in broken.output
    part = _ours(board.files(), firmware)
    assert 0 < len(part) < len(firmware)
    assert all(firmware[path] == data for path, data in part.items())

    board.cut_after = None
    done = _install(board)
    assert done.exit_code == 0, done.output
    held = board.files()
    assert _ours(held, firmware) == firmware
    assert not [path for path in held if path.endswith(".new")]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        pytest.param(
            {"mpy": 5},
            "loads .mpy files of version 5, the mpy-cross that is installed here writes version 6",
            id="another format",
        ),
        pytest.param(
            {"kind": ("rp2", "Raspberry Pi Pico 2 W with RP2350")}, "which is no Pico W", id="another Pico"
        ),
        pytest.param(
            {"kind": ("esp32", "Generic ESP32 module with ESP32")}, "which is no Pico W", id="another chip"
        ),
        pytest.param({"blocks": 24}, "the firmware needs", id="too small"),
    ],
)
def test_a_board_that_does_not_fit_is_left_as_it_is(
    boards: MakeBoard, make: dict[str, Any], said: str
) -> None:
    board = boards(**make)
    done = _install(board)
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert board.files() == {}


def test_a_program_that_ignores_ctrl_c_is_said_to(boards: MakeBoard) -> None:
    board = boards()
    stubborn = b"""import time
while True:
    try:
        print("turning")
        time.sleep(0.2)
    except KeyboardInterrupt:
        pass
"""
    _put(board, {"main.py": stubborn})
    with Console(board.port) as console:
        console.stop()
        console.restart()
    _wait(lambda: board.said.count(b"turning") > 1, board)
    with (
        pytest.raises(ConsoleError, match=r'does not answer Ctrl-C for 2 s \(it last said "turning"\)'),
        Console(board.port, patience_s=2) as console,
    ):
        console.stop()


def test_what_arrives_changed_does_not_replace_the_old_file(boards: MakeBoard) -> None:
    board = boards()
    _put(board, {"main.py": b"print(1)\n"})
    with Console(board.port) as console:
        console.stop()
        with pytest.raises(ConsoleError, match=r"main\.py: what arrived on the board is not what was sent"):
            console.write("main.py", b"print(2)\n", BoardFile("", b"print(3)\n").sha256, lambda _: None)
    assert board.files() == {"main.py": b"print(1)\n"}


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with (
        pytest.raises(ConsoleError, match="cannot be opened"),
        Console(str(tmp_path / "none"), patience_s=0.5),
    ):
        pass
