"""The log of faults that a board keeps, as a person reads it."""

from __future__ import annotations

from typing import Any

from wheelpit.node.faults import as_line, faults_of


def test_a_line_says_when_in_which_boot_and_what() -> None:
    # 2023-11-14 22:13:20 UTC is Unix time 1 700 000 000 (POSIX.1-2017, 4.16, seconds since the Epoch).
    told = as_line("12 340 1700000000 task link failed: MemoryError")
    assert told == "2023-11-14 22:13:20 UTC  boot 12 + 340 s  task link failed: MemoryError"
    assert as_line("12 3 - started again: watchdog") == "no clock yet  boot 12 + 3 s  started again: watchdog"
    assert as_line("- - - WRONG FIRMWARE: x") == "no clock yet  before the node ran  WRONG FIRMWARE: x"
    assert as_line("cut") == "cut"


class Opened:
    """A board's console."""

    def __init__(self, files: dict[str, bytes]) -> None:
        self.files = files

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
