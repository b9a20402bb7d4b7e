"""A board on a serial port: a pseudo-terminal whose far end is MicroPython with a file system of its own.

The port goes away and comes back when the board restarts, as USB does. The name of the port stays.
"""

from __future__ import annotations

import importlib
import os
import pty
import select
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from wheelpit.demo.interpreter import micropython
from wheelpit.places import bundled

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import ModuleType
    from typing import Protocol

    class MakeBoard(Protocol):
        """What the fixture `boards` gives."""

        def __call__(self, kind: tuple[str, str] = ..., mpy: int = ..., blocks: int = ...) -> FakeBoard: ...


BOOT: Final = Path(__file__).resolve().parents[1] / "firmware" / "on_board" / "as_a_board.py"
PICO_W: Final = ("rp2", "Raspberry Pi Pico W with RP2040")
BLOCK: Final = 4096
PICO_W_BLOCKS: Final = 212
_GONE_S: Final = 0.3
_HEAP: Final = "340k"  # 170 KiB on a board, whose objects are half as large as on this machine
# Ctrl-C must reach a running program as a signal: that needs a controlling terminal.
_START: Final = "import os, sys; os.login_tty(0); os.execv(sys.argv[1], sys.argv[1:])"


class FakeBoard:
    """`port` is the path to give to a program; `starts` counts the boots; `said` is all that went over the cable."""

    def __init__(self, folder: Path, kind: tuple[str, str], mpy: int, blocks: int) -> None:
        found = micropython()
        if found is None:
            pytest.skip("there is no MicroPython wheel for this machine")
        self.port = str(folder / "ttyBOARD0")
        self.image = folder / "flash.bin"
        self.image.write_bytes(b"\xff" * BLOCK * blocks)
        self.starts = 0
        self.said = bytearray()
        self.cut_after: int | None = None  # bytes from the host after which the cable is pulled
        self._command = [sys.executable, "-c", _START, found, "-X", f"heapsize={_HEAP}", "-i", str(BOOT)]
        self._command += [str(self.image), *kind, str(mpy)]
        self._ends = threading.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()
        assert self._ready.wait(30)

    def files(self) -> dict[str, bytes]:
        """What is on the flash, read with MicroPython's own littlefs and not over the console."""
        return files_of(self.image)

    def end(self) -> None:
        self._ends.set()
        self._thread.join(10)
        assert not self._thread.is_alive()

    def plug_in_again(self) -> None:
        self.cut_after = None

    def _live(self) -> None:
        while not self._ends.is_set():
            self._boot()
            time.sleep(_GONE_S)

    def _boot(self) -> None:
        """Live from one reset to the next."""
        inner, inner_slave = pty.openpty()
        outer, outer_slave = pty.openpty()
        tty.setraw(outer_slave)
        tty.setraw(inner_slave)
        modes = termios.tcgetattr(inner_slave)
        modes[3] |= termios.ISIG
        termios.tcsetattr(inner_slave, termios.TCSANOW, modes)
        process = subprocess.Popen(self._command, stdin=inner_slave, stdout=inner_slave, stderr=inner_slave)
        os.close(inner_slave)
        name = Path(self.port)
        fresh = name.with_suffix(".new")
        fresh.symlink_to(os.ttyname(outer_slave))
        fresh.replace(name)
        self.starts += 1
        self._ready.set()
        try:
            while not self._ends.is_set() and self._carry(inner, outer):
                pass
        finally:
            name.unlink()
            process.kill()
            process.wait()
            for handle in (inner, outer, outer_slave):
                os.close(handle)

    def _carry(self, inner: int, outer: int) -> bool:
        """Carry what there is from end to end; say whether both still live."""
        ready, _, _ = select.select([inner, outer], [], [], 0.05)
        try:
            if inner in ready:
                data = os.read(inner, 4096)
                self.said += data
                if not data:
                    return False
                if self.cut_after is None or self.cut_after > 0:
                    os.write(outer, data)
            if outer in ready:
                data = os.read(outer, 4096)
                if self.cut_after is not None:
                    data = data[: max(0, self.cut_after)]
                    self.cut_after -= len(data)
                if data:
                    os.write(inner, data)
        except OSError:  # the far end has ended
            return False
        return True


@pytest.fixture
def firmware_settings(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The firmware's own reading of settings and secrets."""
    for folder in ("firmware", "firmware/sim/cpython"):  # the second for the names that MicroPython adds
        monkeypatch.syspath_prepend(str(bundled("firmware").parent / folder))
    return importlib.import_module("node.settings")


@pytest.fixture
def boards(tmp_path: Path) -> Iterator[MakeBoard]:
    """Return a function that makes a board: its family and description, the `.mpy` format it claims, its blocks."""
    made: list[FakeBoard] = []

    def make(kind: tuple[str, str] = PICO_W, mpy: int = 0, blocks: int = PICO_W_BLOCKS) -> FakeBoard:
        folder = tmp_path / f"board{len(made)}"
        folder.mkdir()
        made.append(FakeBoard(folder, kind, mpy, blocks))
        return made[-1]

    yield make
    for board in made:
        board.end()


_DUMP: Final = """
import sys, os, vfs, binascii
class Flash:
    def __init__(self, path):
        self.f = open(path, "rb")
    def readblocks(self, block, buffer, offset=0):
        self.f.seek(block * 4096 + offset)
        self.f.readinto(buffer)
    def writeblocks(self, *a):
        raise OSError(30)
    def ioctl(self, what, argument):
        return {4: self.f.seek(0, 2) // 4096, 5: 4096}.get(what, 0)
vfs.mount(vfs.VfsLfs2(Flash(IMAGE)), "/board")
def walk(folder):
    for name, kind, *_ in os.ilistdir(folder):
        path = folder + "/" + name
        if kind == 0x4000:
            walk(path)
        else:
            with open(path, "rb") as f:
                print(path[7:], binascii.hexlify(f.read()).decode())
walk("/board")
"""


def files_of(image: Path) -> dict[str, bytes]:
    """Read a board's flash with MicroPython's own littlefs, not over the console."""
    found = micropython()
    assert found is not None
    done = subprocess.run(
        [found, "-c", _DUMP.replace("IMAGE", repr(str(image)))],
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )
    lines = (line.split(" ") for line in done.stdout.splitlines())
    return {path: bytes.fromhex(content) for path, content in lines}
