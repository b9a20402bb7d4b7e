"""What mip installs and what a build freezes are exactly the files of the firmware."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from wheelpit import __version__
from wheelpit.node.boards import BOARDS
from wheelpit.node.bundle import sources
from wheelpit.node.packages import lists_of
from wheelpit.places import bundled

if TYPE_CHECKING:
    from pathlib import Path

    from tests.node.conftest import MakeBoard

FIRMWARE = bundled("firmware")
PORTS = sorted({board.port for board in BOARDS.values()})


def _board_of(port: str) -> set[Path]:
    """Return the sources that go on a board of a port."""
    board = next(board for board in BOARDS.values() if board.port == port)
    return set(sources(board).values())


@pytest.mark.parametrize("path", sorted(lists_of(FIRMWARE)))
def test_the_lists_are_up_to_date(path: str) -> None:
    assert (FIRMWARE / path).read_text(encoding="utf-8") == lists_of(FIRMWARE)[path], (
        f"firmware/{path} is out of date: python -m wheelpit.node.packages"
    )


@pytest.mark.parametrize("port", PORTS)
def test_mip_installs_what_runs_on_the_board(port: str) -> None:
    found: set[Path] = set()
    for folder in (FIRMWARE, FIRMWARE / "boards" / port):
        package = json.loads((folder / "package.json").read_text())
        assert package["version"] == __version__
        found |= {folder / url for _, url in package["urls"]}
        assert all(target == url for target, url in package["urls"])
    assert found == _board_of(port)


@pytest.mark.parametrize("port", PORTS)
def test_a_build_freezes_what_runs_on_the_board(port: str) -> None:
    found: set[Path] = set()
    outside: list[str] = []

    def run(manifest: Path) -> None:
        here = manifest.parent

        def include(path: str) -> None:
            if path.startswith("$("):
                outside.append(path)
            else:
                run(here / path)

        def package(name: str) -> None:
            found.update((here / name).rglob("*.py"))

        def module(name: str, base_path: str = ".") -> None:
            found.add(here / base_path / name)

        exec(manifest.read_text(), {"include": include, "package": package, "module": module})  # noqa: S102 - ours

    run(FIRMWARE / f"manifest_{port}.py")
    assert {path.resolve() for path in found} == {path.resolve() for path in _board_of(port)}
    assert len(outside) == 1  # what MicroPython itself freezes for the board


@pytest.mark.slow
def test_mpremote_installs_a_package_into_the_root(boards: MakeBoard, tmp_path: Path) -> None:
    """A part of the list will do: it shows that targets, folders and relative addresses are understood."""
    package = json.loads((FIRMWARE / "package.json").read_text())
    package["urls"] = [
        row for row in package["urls"] if row[0] in {"main.py", "node/__init__.py", "node/log.py"}
    ]
    for _, url in package["urls"]:
        (tmp_path / url).parent.mkdir(exist_ok=True)
        (tmp_path / url).write_bytes((FIRMWARE / url).read_bytes())
    (tmp_path / "package.json").write_text(json.dumps(package))
    board = boards()
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "mpremote",
            "connect",
            board.port,
            "resume",
            "mip",
            "install",
            "--target",
            "/",
            str(tmp_path / "package.json"),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert board.files() == {path: (FIRMWARE / path).read_bytes() for path, _ in package["urls"]}
