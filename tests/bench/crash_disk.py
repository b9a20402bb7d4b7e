"""Lets the system refuse what the service writes, in the ways that need no disk of their own."""

from __future__ import annotations

import resource
import shutil
import subprocess
import time
from collections import Counter
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.bench.crash_drain import REFUSED, Drain, Extent, Found
from tests.bench.grounds import Grounds, end

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


def _ended(grounds: Grounds, service: subprocess.Popen[bytes], drain: Drain, counts: Counter[str]) -> Found:
    """End the service, which must have lived through it, and say what is in the ledger and how often it refused."""
    counts["commits_refused"] = grounds.told().count(REFUSED)
    assert service.poll() is None, grounds.told()[-2000:]
    end(service)
    found = drain.checked()
    found.counts = counts
    return found


def disk_refuses(folder: Path, extent: Extent) -> Found:
    """Let the system refuse what the service writes: beyond a size, as on a full disk; then nearly every byte.

    The limit on the size of files (RLIMIT_FSIZE) needs no rights and no disk of its own.
    """
    counts: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1600)
        wal = grounds.state / "ledger.db-wal"
        log = grounds.folder / "serve.log"  # it must still be able to say what is wrong
        limits: tuple[tuple[str, int, Callable[[], int]], ...] = (
            ("disk_full", 200, lambda: wal.stat().st_size + 20_000),
            ("disk_refuses_all", 800, lambda: log.stat().st_size + 4096),
        )

        def limit(size: int) -> None:
            resource.prlimit(service.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

        def course() -> Iterator[None]:
            for what, after, size in limits:
                while not drain.passed(after):
                    yield
                refused, until = grounds.told().count(REFUSED), time.monotonic() + extent.starved_s
                limit(size())
                counts[what] += 1
                while time.monotonic() < until or grounds.told().count(REFUSED) == refused:
                    yield
                limit(resource.RLIM_INFINITY)

        drain.follow(course(), "a disk that takes nothing")
        return _ended(grounds, service, drain, counts)


@contextmanager
def _immutable(*files: Path) -> Iterator[bool]:
    """Let nobody, not even root, write files, those that are open included; yield whether that is possible here."""
    program = shutil.which("chattr")

    def change(to: str) -> bool:
        command = [program or "", to, *map(str, files)]
        return (
            program is not None and not subprocess.run(command, check=False, capture_output=True).returncode
        )

    try:
        yield change("+i")
    finally:
        change("-i")


def write_protectable(folder: Path) -> bool:
    """Return whether files of a folder can be protected from a program that has them open (ext4 and others, as root)."""
    probe = folder / "probe"
    with probe.open("wb", buffering=0) as file, _immutable(probe) as done:
        try:
            file.write(b"x")
        except OSError:
            return done
    return False


def disk_read_only(folder: Path, extent: Extent) -> Found:
    """Make the ledger's files read-only under the running service, as a card does that has worn out, and writable again."""
    if not write_protectable(folder):
        raise RuntimeError(
            "open files cannot be made read-only here: that needs root, chattr and such as ext4"
        )
    counts: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 800)

        def course() -> Iterator[None]:
            while not drain.passed(300):
                yield
            # Not the index of the log, which is mapped into memory: a write there would kill the service by a signal,
            # which is the system's answer and not the disk's.
            with _immutable(grounds.state / "ledger.db", grounds.state / "ledger.db-wal"):
                # Twice: the node sends again only when the service has left and come back, and by then it has had every
                # receipt that was on its way.
                while grounds.told().count(REFUSED) < 2:
                    assert service.poll() is None, grounds.told()[-2000:]
                    yield
                upto, until = drain.node.upto, time.monotonic() + extent.starved_s
                while time.monotonic() < until:
                    yield
                assert drain.node.upto == upto, "a receipt came although nothing can be written"
                counts["disk_read_only"] += 1

        drain.follow(course(), "a disk that has become read-only")
        return _ended(grounds, service, drain, counts)
