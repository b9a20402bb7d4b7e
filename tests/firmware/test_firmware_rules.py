"""Rules for code that has to run on a board for years, checked in its text."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from wheelpit.demo.interpreter import micropython

if TYPE_CHECKING:
    from collections.abc import Iterator

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
BOARD_ONLY = {"machine", "network", "onewire", "rp2", "esp32"}
ON_BOARD = sorted(
    path
    for path in FIRMWARE.rglob("*.py")
    if "sim" not in path.relative_to(FIRMWARE).parts and "__pycache__" not in path.parts
)
EVERYWHERE = sorted({*ON_BOARD, *(FIRMWARE / "sim").glob("*.py")} - {FIRMWARE / "sim" / "run_cpython.py"})


def name(path: Path) -> str:
    return str(path.relative_to(FIRMWARE))


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.module.split(".")[0]


def test_there_is_firmware_to_check() -> None:
    assert {"main.py", "node/sampler.py", "boards/rp2/hal.py", "boards/esp32/hal.py"} <= set(
        map(name, ON_BOARD)
    )


@pytest.mark.parametrize("path", EVERYWHERE, ids=name)
def test_f06_f27_no_assert_no_bare_except_no_threads(path: Path) -> None:
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        # Optimised away on a board, and no way to treat a condition of the outer world.
        assert not isinstance(node, ast.Assert), f"assert in line {node.lineno}"
        # It would swallow the cancelling of a task.
        assert not (isinstance(node, ast.ExceptHandler) and node.type is None), (
            f"bare except in line {node.lineno}"
        )
    # Threads and writing to flash lock up some boards.
    assert "_thread" not in set(imported(tree))


@pytest.mark.parametrize("path", EVERYWHERE, ids=name)
def test_only_a_hal_knows_the_board(path: Path) -> None:
    found = set(imported(ast.parse(path.read_text())))
    if path.name == "hal.py":
        assert found.isdisjoint(BOARD_ONLY) is (path.parent.name == "sim")
    elif path.parent.parent.name == "boards":
        pass  # what a board's hal is made of
    else:
        assert found.isdisjoint(BOARD_ONLY)


@pytest.mark.parametrize("path", ON_BOARD, ids=name)
def test_f24_nothing_on_the_board_pulls_down_or_imports_the_host(path: Path) -> None:
    text = path.read_text()
    # The newer RP2 chip can hold a floating input half way up; its pull-down does not help.
    assert "PULL_DOWN" not in text
    assert "wheelpit." not in text


@pytest.mark.parametrize("path", EVERYWHERE, ids=name)
def test_the_board_can_parse_it(path: Path) -> None:
    interpreter = micropython()
    if interpreter is None:
        pytest.skip("there is no MicroPython wheel for this machine")
    words = [interpreter, "-X", "compile-only", str(path)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr
