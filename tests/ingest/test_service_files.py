"""The shipped service files: the manager takes them, and the commands in them take their options."""

from __future__ import annotations

import shlex
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import click
import pytest

from wheelpit.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable

FOLDER = Path(__file__).resolve().parents[2] / "host" / "service"
FILES = sorted(FOLDER.glob("*.service"))


def started(file: Path) -> list[str]:
    """Return the command that a service file starts, its first word the program."""
    text = file.read_text(encoding="utf-8").replace("\\\n", " ")
    (line,) = (line for line in text.splitlines() if line.startswith("ExecStart="))
    return shlex.split(line.removeprefix("ExecStart="))


def test_there_are_service_files() -> None:
    assert "wheelpit-serve.service" in {file.name for file in FILES}


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_command_takes_its_options(file: Path) -> None:
    program, name, *options = started(file)
    assert program == "/opt/wheelpit/bin/wheelpit"
    found = main.get_command(click.Context(main), name)
    assert found is not None
    found.make_context(name, options)  # raises for an option that is not there


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_the_service_manager_takes_it(file: Path, tmp_path: Path, needs: Callable[[str], str]) -> None:
    program = tmp_path / "wheelpit"
    program.write_text("#!/bin/sh\n", encoding="ascii")
    program.chmod(0o755)
    copy = tmp_path / file.name
    copy.write_text(
        file.read_text(encoding="utf-8").replace("/opt/wheelpit/bin/wheelpit", str(program)), encoding="utf-8"
    )
    done = subprocess.run(
        [needs("systemd-analyze"), "verify", "--man=no", str(copy)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert file.name not in done.stderr
