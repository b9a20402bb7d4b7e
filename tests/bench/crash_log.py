"""Takes commits away from the service's log, and reads the order of system calls around its receipts."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sys
from typing import TYPE_CHECKING, Final

from tests.bench.crash_drain import Drain, Extent, Found
from tests.bench.grounds import Grounds

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_WAL_HEAD, _FRAME = 32, 24 + 4096


def log_cut(folder: Path, _extent: Extent) -> Found:
    """Take the last commits away, as a disk does that said too early that it had written; the node refills them."""
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1200)
        cut = 0

        def course() -> Iterator[None]:
            nonlocal cut
            while not drain.passed(600):
                yield
            service.kill()
            service.wait()
            wal = grounds.state / "ledger.db-wal"
            frames = (wal.stat().st_size - _WAL_HEAD) // _FRAME
            cut = max(1, frames // 3)
            os.truncate(wal, _WAL_HEAD + (frames - cut) * _FRAME)
            grounds.start_service()

        drain.follow(course(), "the end of the log cut off")
        grounds.end_service()
        assert drain.node.backwards == 1, "the ledger went back and its receipts with it"
        found = drain.checked(ahead=1)
    found.counts["frames_cut"] = cut
    return found


_CALL: Final = re.compile(r"^(?:\[pid +)?(\d+)\]? +(?:<\.\.\. )?(\w+)(?: resumed>|\()(.*)$")
_UPTO: Final = re.compile(r'/receipt.*?\\"upto\\":(\d+)')


def order_traced(folder: Path, _extent: Extent) -> Found:
    """Read the order of the system calls: no receipt that goes further without the log on the disk since the last one.

    The node sends one message at a time, so that between two receipts lies exactly one commit.
    """
    strace = shutil.which("strace")
    if strace is None:
        raise RuntimeError("strace is not installed: the order of system calls cannot be seen")
    trace = folder / "trace"
    with Grounds(folder) as grounds:
        grounds.start_broker()
        grounds.start_service(
            strace, "-f", "-y", "-s", "400", "-o", str(trace), "-e", "trace=fdatasync,fsync,sendto,write",
            sys.executable, "-m", "wheelpit",
        )  # fmt: skip
        drain = Drain(grounds, 240, window=1)
        drain.run(lambda: True, "the order of system calls")
        tracer = grounds.service
        assert tracer is not None
        child = int(trace.read_text(errors="replace").split(maxsplit=1)[0])
        os.kill(child, signal.SIGTERM)
        tracer.wait(60)
        found = drain.checked()
    synced = True
    upto = 0
    waiting: set[str] = set()
    for line in trace.read_text(encoding="utf-8", errors="replace").splitlines():
        call = _CALL.match(line)
        if call is None:
            continue
        thread, name, rest = call.groups()
        if name in {"fdatasync", "fsync"}:
            log = "ledger.db-wal" in rest or thread in waiting
            if log and "unfinished" in rest:
                waiting.add(thread)
            elif log and "= 0" in rest:
                waiting.discard(thread)
                synced = True
                found.counts["syncs_of_the_log"] += 1
        elif (said := _UPTO.search(rest)) is not None and int(said[1]) > upto:
            found.ahead += not synced
            synced, upto = False, int(said[1])
            found.counts["receipts_traced"] += 1
    return found
