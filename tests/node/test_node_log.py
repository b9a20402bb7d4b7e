"""What a node says is passed on, and listening does not disturb it."""

from __future__ import annotations

import hashlib
import time
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.node.console import Console, ConsoleError, find_port

if TYPE_CHECKING:
    from tests.node.conftest import MakeBoard

TALKING = (
    "import time\nfor n in range(600):\n    print('%d.0 Wi-Fi: Mühle, attempt' % n)\n    time.sleep(0.1)\n"
)


@pytest.mark.slow
def test_listening_does_not_disturb(boards: MakeBoard) -> None:
    board = boards()
    data = TALKING.encode()
    with Console(board.port) as opened:
        opened.stop()
        opened.write("main.py", data, hashlib.sha256(data).hexdigest(), lambda _: None)
        opened.restart()
    end = time.monotonic() + 20
    while b"attempt" not in board.said:
        assert time.monotonic() < end
        time.sleep(0.05)
    starts = board.starts
    done = CliRunner().invoke(main, ["node", "log", "--port", board.port, "--seconds", "1"])
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()[1:-1]  # the first and the last may be cut
    assert len(lines) >= 2
    numbers = [int(line.removesuffix(".0 Wi-Fi: Mühle, attempt")) for line in lines]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert board.starts == starts


@pytest.mark.slow
def test_silence_is_said_to_be_silence(boards: MakeBoard) -> None:
    board = boards()
    time.sleep(0.5)  # past the greeting
    done = CliRunner().invoke(main, ["node", "log", "--port", board.port, "--seconds", "0.3"])
    assert done.exit_code == 0
    assert "silent while all is well" in done.output


class _Port:
    def __init__(self, device: str, vid: int | None) -> None:
        self.device = device
        self.vid = vid


@pytest.mark.parametrize(
    ("ports", "said"),
    [
        ([], "no board found on USB"),
        ([_Port("/dev/ttyS0", None)], "no board found on USB"),
        ([_Port("/dev/b", 1), _Port("/dev/a", 2)], r"several boards on USB \(/dev/a, /dev/b\): say which"),
    ],
)
def test_which_port_is_meant(ports: list[_Port], said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    with pytest.raises(ConsoleError, match=said):
        find_port(None)
    assert find_port("/dev/told") == "/dev/told"


def test_the_only_one_is_meant(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "serial.tools.list_ports.comports", lambda: [_Port("/dev/ttyS0", None), _Port("/dev/ttyACM0", 1)]
    )
    assert find_port(None) == "/dev/ttyACM0"


def test_a_missing_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr("importlib.import_module", missing)
    with pytest.raises(ConsoleError, match=r"pip install 'wheelpit\[node\]'"):
        Console("/dev/told")
