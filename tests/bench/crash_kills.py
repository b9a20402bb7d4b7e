"""Kills the service, the broker and the node during a drain, and stops the service beyond its keep-alive."""

from __future__ import annotations

import random
import signal
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.bench.crash_drain import Drain, Extent, Found
from tests.bench.firmware_node import killed
from tests.bench.grounds import Grounds, end
from tests.bench.struck import POINTS

if TYPE_CHECKING:
    from collections.abc import Iterator

_STRUCK: Final = str(Path(__file__).with_name("struck.py"))


def serve_killed(folder: Path, extent: Extent) -> Found:
    """Kill the service at every named point in turn, and at moments that nothing names."""
    rng = random.Random(1)  # noqa: S311 - when to strike, no secret
    mark = folder / "struck"
    plan = [(*POINTS, "random")[n % (len(POINTS) + 1)] for n in range(extent.serve_kills)]
    counts: Counter[str] = Counter()
    with Grounds(folder) as grounds:
        grounds.start_broker()
        drain = Drain(grounds, 100 + 120 * extent.serve_kills)
        struck_at = 0.0
        began_upto = 0

        def start() -> None:
            nonlocal struck_at, began_upto
            struck_at, began_upto = 0.0, drain.node.upto
            point = plan[sum(counts.values())] if sum(counts.values()) < len(plan) else ""
            strike = {"WHEELPIT_STRIKE": f"{point}:{rng.randrange(3, 12)}", "WHEELPIT_STRUCK": str(mark)}
            if point == "in checkpoint":
                strike["WHEELPIT_STRIKE"] = f"{point}:{rng.randrange(1, 3)}"
            grounds.start_service(sys.executable, _STRUCK, **(strike if point in POINTS else {}))

        def tend() -> bool:
            nonlocal struck_at
            service = grounds.service
            assert service is not None
            done = sum(counts.values())
            if service.poll() is not None:
                reached = mark.read_text().splitlines() if mark.is_file() else []
                mark.unlink(missing_ok=True)
                assert len(reached) <= 1
                if not reached and service.returncode != -signal.SIGKILL:
                    msg = f"the service ended by itself: {grounds.told()[-2000:]}"
                    raise RuntimeError(msg)
                counts[reached[0] if reached else "random"] += 1
                start()
            elif done < len(plan) and plan[done] == "random" and drain.node.upto > began_upto:
                struck_at = struck_at or time.monotonic() + rng.uniform(0.0, 0.4)
                if time.monotonic() > struck_at:
                    service.kill()
            return done >= len(plan)

        start()
        drain.run(tend, "kill -9 of the service")
        grounds.end_service()
        found = drain.checked()
    found.counts = Counter({f"killed {point}": count for point, count in counts.items()})
    found.counts["serve_kills"] = sum(counts.values())
    return found


def broker_killed(folder: Path, extent: Extent) -> Found:
    """Kill the broker, which keeps nothing."""
    rng = random.Random(2)  # noqa: S311 - as above
    kills = 0
    with Grounds(folder) as grounds:
        broker = grounds.start_broker()
        grounds.start_service()
        drain = Drain(grounds, 100 + 150 * extent.broker_kills)
        goal = rng.randrange(20, 120)

        def tend() -> bool:
            nonlocal kills, broker, goal
            if kills < extent.broker_kills and drain.passed(goal):
                broker.kill()
                broker.wait()
                kills += 1
                goal += rng.randrange(60, 140)
                broker = grounds.start_broker()
            return True

        drain.run(tend, "kill -9 of the broker")
        grounds.end_service()
        found = drain.checked()
    found.counts["broker_kills"] = kills
    return found


def node_killed(folder: Path, extent: Extent) -> Found:
    """Kill the real firmware, with the journal that it keeps in its files, while it measures a simulated plant."""
    return Found(**killed(folder, extent.node_kills, extent.seed))


def paused(folder: Path, extent: Extent) -> Found:
    """Stop the service for two minutes, beyond its keep-alive, and let it go on."""
    with Grounds(folder) as grounds:
        grounds.start_broker()
        service = grounds.start_service()
        drain = Drain(grounds, 1200)

        def course() -> Iterator[None]:
            while not drain.passed(300):
                yield
            service.send_signal(signal.SIGSTOP)
            stopped = time.monotonic()
            while time.monotonic() - stopped < extent.pause_s:
                yield
            service.send_signal(signal.SIGCONT)

        drain.follow(course(), f"stopped for {extent.pause_s:.0f} s")
        assert service.poll() is None, grounds.told()[-2000:]
        end(service)
        found = drain.checked()
    found.counts["pauses"] = 1
    return found
