"""The log of faults that a board keeps, as a person reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.node import console
from wheelpit.node.faults import as_line, faults_of

if TYPE_CHECKING:
    import pytest


def test_a_line_says_when_in_which_boot_and_what() -> None:
    # 2023-11-14 22:13:20 UTC is Unix time 1 700 000 000 (POSIX.1-2017, 4.16, seconds since the Epoch).
    told = as_line("12 340 1700000000 task link failed: MemoryError")
    assert told == "2023-11-14 22:13:20 UTC  boot 12 + 340 s  task link failed: MemoryError"
    assert as_line("12 3 - started again: watchdog") == "no clock yet  boot 12 + 3 s  started again: watchdog"
    assert as_line("- - - WRONG FIRMWARE: x") == "no clock yet  before the node ran  WRONG FIRMWARE: x"
    assert as_line("cut") == "cut"


class Opened:
    """A board's console."""

    port = "fake"

    def __init__(self, files: dict[str, bytes]) -> None:
        self.files = files
        self.done: list[str] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.done.append("left")

    def stop(self) -> None:
        self.done.append("stopped")

    def restart(self) -> None:
        self.done.append("restarted")

    def names(self, folder: str) -> list[str]:
        return [path.removeprefix(f"{folder}/") for path in self.files]

    def read(self, path: str) -> bytes:
        return self.files[path]


def test_the_older_file_comes_first_and_none_is_no_error() -> None:
    console: Any = Opened(
        {"state/faults": b"2 1 - b\n", "state/faults.old": b"1 1 - a\n", "state/boots": b"{}"}
    )
    assert [line[-1] for line in faults_of(console)] == ["a", "b"]
    console = Opened({})
    assert faults_of(console) == []


def test_the_command_prints_them_and_starts_the_node_again(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = Opened({"state/faults": b"3 7 1700000000 the guard acted\n"})
    monkeypatch.setattr(console, "Console", lambda _port: opened)
    done = CliRunner().invoke(main, ["node", "log", "--port", "fake", "--faults"])
    assert done.output == "2023-11-14 22:13:20 UTC  boot 3 + 7 s  the guard acted\n"
    assert opened.done == ["stopped", "restarted", "left"]
