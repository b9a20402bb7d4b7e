"""What is watched of the host itself: pure judgements of what it and its broker say of themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wheelpit.watch.judgement import Judgement
from wheelpit.watch.machine import Verdict

if TYPE_CHECKING:
    from wheelpit.store.rows import HostSeen


def judge_host(seen: HostSeen) -> dict[str, Judgement]:
    """Judge every condition of the host."""
    return {
        "two_boards": Judgement(
            Verdict.BEYOND if seen.stores_in_dispute else Verdict.WITHIN,
            float(seen.stores_in_dispute),
            0.0,
            "`wheelpit doctor` names the boards and the store.",
        ),
        "host_clock_behind": Judgement(
            Verdict.BEYOND if seen.clock_behind else Verdict.WITHIN,
            None,
            None,
            "`wheelpit doctor` says by how much.",
        ),
        "messages_dropped": Judgement(
            Verdict.UNSEEN if seen.dropped is None else Verdict.BEYOND if seen.dropped else Verdict.WITHIN,
            None if seen.dropped is None else float(seen.dropped),
            0.0,
            "The broker counts them under $SYS/broker/publish/messages/dropped.",
        ),
    }
