"""A small disk of its own for the service: a real file system that runs full, or becomes read-only.

It is a tmpfs in a mount name space of its own, so it needs no room on the machine's disk, nobody else sees it, and it is
gone with the last process in it, however that ends. Root may always do that; others may where the system lets them make
name spaces of their own.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.bench.crash_drain import REFUSED, Drain, Extent, Found
from tests.bench.grounds import Grounds, end, wait

if TYPE_CHECKING:
    from collections.abc import Iterator

_REPO: Final = Path(__file__).resolve().parents[2]
_MIB: Final = 48  # more than the ledger and its log need
_WAYS: Final = (["--mount"], ["--user", "--map-root-user", "--mount"])
_DISK_FAILED: Final = 74  # what the service ends with


class Disk:
    """The small disk, seen from inside of its name space; it is mounted at a folder when this is made."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._ballast = folder / "ballast"
        self._mount("-t", "tmpfs", "-o", f"size={_MIB}m", "tmpfs")

    def _mount(self, *how: str) -> None:
        subprocess.run(["mount", *how, str(self._folder)], check=True)

    def fill(self) -> None:
        """Leave no byte."""
        with self._ballast.open("ab", buffering=0) as file:
            try:
                while True:
                    file.write(bytes(1 << 16))
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise

    def clear(self) -> None:
        """Give the room back."""
        self._ballast.unlink()

    def write_protect(self, *, on: bool) -> None:
        """Make the file system read-only, or writable again; no file of it may be open for writing."""
        self._mount("-o", "remount,ro" if on else "remount,rw")


def _course(drain: Drain, disk: Disk, starved_s: float, counts: Counter[str]) -> Iterator[None]:
    """Fill the disk under the running service; then have it start on a full disk, and on one that is read-only."""
    grounds = drain.grounds
    while not drain.passed(200):
        yield
    disk.fill()
    yield from _refused(drain, starved_s, counts)
    disk.clear()
    while not drain.passed(500):
        yield
    grounds.end_service()
    disk.fill()
    _starts_in_vain(grounds, counts, "starts_on_a_full_disk")
    disk.clear()
    disk.write_protect(on=True)
    _starts_in_vain(grounds, counts, "starts_on_a_read_only_disk")
    disk.write_protect(on=False)
    grounds.start_service()


def _refused(drain: Drain, starved_s: float, counts: Counter[str]) -> Iterator[None]:
    """Wait until the ledger took nothing for some time; no receipt may come then."""
    service = drain.grounds.service
    assert service is not None
    while REFUSED not in drain.grounds.told():
        yield
    upto, until = drain.node.upto, time.monotonic() + starved_s
    while time.monotonic() < until:
        yield
    assert drain.node.upto == upto, "a receipt came although the disk is full"
    assert service.poll() is None, drain.grounds.told()[-2000:]
    counts["commits_refused"] = drain.grounds.told().count(REFUSED)


def _starts_in_vain(grounds: Grounds, counts: Counter[str], what: str) -> None:
    """Have the service start, and end with the words and the code by which a service manager starts it again."""
    before = len(grounds.told())
    service = grounds.start_service()
    wait(lambda: service.poll() is not None, "the end of a service that cannot write")
    said = grounds.told()[before:]
    assert service.returncode == _DISK_FAILED, (service.returncode, said)
    assert "Traceback" not in said, said
    assert said.strip().splitlines()[-1].startswith("wheelpit: "), said
    counts[what] = 1


def run(folder: Path, starved_s: float) -> Found:
    """Run the whole course; to be called inside the name space."""
    counts: Counter[str] = Counter()
    disk = Disk(folder / "state")
    with Grounds(folder) as grounds:
        grounds.start_broker()
        grounds.start_service()
        drain = Drain(grounds, 800)
        drain.follow(_course(drain, disk, starved_s, counts), "a disk that is full")
        assert grounds.service is not None
        assert grounds.service.poll() is None, grounds.told()[-2000:]
        end(grounds.service)
        found = drain.checked()
    found.counts = counts
    return found


def way_in(folder: Path) -> list[str] | None:
    """Return the command that runs another one in a mount name space of its own; None where nothing of it is permitted."""
    program = shutil.which("unshare")
    if program is None or shutil.which("mount") is None:
        return None
    small = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    ways = [[program, *way] for way in _WAYS]
    return next(
        (
            way
            for way in ways
            if not subprocess.run([*way, *small], check=False, capture_output=True).returncode
        ),
        None,
    )


def disk_full(folder: Path, extent: Extent) -> Found:
    """Let a real file system run full under the service, and have it start on one that is full or read-only."""
    way = way_in(folder)
    if way is None:
        raise RuntimeError(
            "a small file system of its own cannot be mounted here: neither as root nor as a user"
        )
    environment = {**os.environ, "PYTHONPATH": str(_REPO)}
    subprocess.run(
        [*way, sys.executable, "-m", "tests.bench.small_disk", str(folder), str(extent.starved_s)],
        check=True,
        cwd=_REPO,
        env=environment,
    )
    told = json.loads((folder / "found.json").read_text())
    return Found(**(told | {"counts": Counter(told["counts"])}))


if __name__ == "__main__":
    home = Path(sys.argv[1])
    (home / "found.json").write_text(json.dumps(vars(run(home, float(sys.argv[2])))))
