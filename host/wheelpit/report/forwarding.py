"""What `wheelpit doctor` finds about forwarding to a time series database: how far behind, what was refused, and why."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError
from wheelpit.forward import progress as accounts
from wheelpit.forward.progress import Progress
from wheelpit.forward.waiting import MOST_COUNTED, waiting
from wheelpit.places import running
from wheelpit.report.finding import RECENT_MS, Finding, age
from wheelpit.store import ledger as ledgers
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from wheelpit.forward.progress import Trouble

_SUBJECT: Final = "forwarding"
_BEHIND_MS: Final = 15 * 60_000
_PASSING_MS: Final = 10 * 60_000  # a database that starts again, or a network that is away, is back by then
_SAMPLE: Final = 160

_REMEDIES: Final[dict[str, str]] = {
    "unreachable": "see that the database runs, and that --url and the network lead to it",
    "busy": "look into the database's own log, and at its disk",
    "login": "give a token that may write to this bucket: --token-file or WHEELPIT_INFLUX_TOKEN_FILE",
    "place": "check --bucket and --org, and whether another program wrote the same fields as integers",
    "size": "raise the largest request that the database takes",
}


def forward_findings(state: Path, now_ms: int) -> list[Finding]:
    """Look over the forwarder of a state folder; a folder from which nothing was ever forwarded has no findings."""
    path = state / accounts.FILE
    if not path.exists():
        return []
    try:
        with Progress(path, only_look=True) as progress:
            return list(_findings(state, progress, now_ms))
    except WheelpitError as error:
        return [Finding(_SUBJECT, "wrong", str(error), "follow that advice, then look again")]
    except sqlite3.DatabaseError as error:
        remedy = (
            "end the forwarder, move the file away, and start it again: everything is sent anew, and a point that "
            "comes twice counts once"
        )
        return [Finding(_SUBJECT, "wrong", f"{path} cannot be read: {error}", remedy)]


def _findings(state: Path, progress: Progress, now_ms: int) -> Iterator[Finding]:
    runs = running(state, "forward") is not None
    trouble = progress.trouble()
    lasting = trouble if trouble is not None and trouble.over_ms is None else None
    yield from _behind(state, progress, now_ms, runs=runs, trouble=lasting is not None)
    if lasting is not None:
        yield _lasting(lasting, now_ms)
    elif trouble is not None and trouble.over_ms is not None and now_ms - trouble.over_ms < RECENT_MS:
        yield Finding(
            _SUBJECT,
            "note",
            f"the database took nothing for {age(trouble.over_ms - trouble.since_ms)}, until "
            f"{age(max(0, now_ms - trouble.over_ms))} ago ({trouble.says}); nothing was lost",
        )
    yield from _refused(progress, now_ms)


def _behind(state: Path, progress: Progress, now_ms: int, *, runs: bool, trouble: bool) -> Iterator[Finding]:
    left = waiting(LedgerReader(state / ledgers.FILE), progress)
    if not left.of_this_ledger:
        yield Finding(
            _SUBJECT,
            "wrong",
            "another ledger was forwarded before than the one that lies here now; the forwarder refuses it",
            "if the new one is meant, start it once with --accept-ledger; if not, put the right one in its place",
        )
        return
    since_ms = 0 if left.oldest_ms is None else max(0, now_ms - left.oldest_ms)
    at_least = "at least " if left.records >= MOST_COUNTED else ""
    behind = f"records waiting: {at_least}{left.records}" + (
        f", the oldest since {age(since_ms)}" if left.oldest_ms is not None else ""
    )
    if not left.records:
        yield Finding(_SUBJECT, "good", "everything that was booked was sent")
    elif not runs:
        yield Finding(
            _SUBJECT,
            "wrong" if since_ms > _BEHIND_MS else "note",
            f"no forwarder works on {state}: {behind}",
            "start `wheelpit forward`; if nothing is to be forwarded any more, move forward.db away",
        )
    elif trouble or since_ms > _BEHIND_MS:
        yield Finding(_SUBJECT, "note", f"{behind}; they are sent in order, none is left out")
    else:
        yield Finding(_SUBJECT, "good", behind)


def _lasting(trouble: Trouble, now_ms: int) -> Finding:
    lasts_ms = max(0, now_ms - trouble.since_ms)
    passing = trouble.kind in {"unreachable", "busy"} and lasts_ms < _PASSING_MS
    return Finding(
        _SUBJECT,
        "note" if passing else "wrong",
        f"the database has taken nothing for {age(lasts_ms)}, {trouble.attempts} attempts, the last "
        f"{age(max(0, now_ms - trouble.last_ms))} ago: {trouble.says}",
        f"{_REMEDIES.get(trouble.kind, 'look into its log')}; nothing is lost, the forwarder goes on trying",
    )


def _refused(progress: Progress, now_ms: int) -> Iterator[Finding]:
    tally = progress.tally()
    for at_ms, reason, point in progress.refused(1):
        yield Finding(
            _SUBJECT,
            "wrong" if now_ms - at_ms < RECENT_MS else "note",
            f"points refused one by one: {tally.get('points_refused', 0)}, the last "
            f"{age(max(0, now_ms - at_ms))} ago: {reason}; it begins {point[:_SAMPLE]!r}",
            "the ledger has what they say, and table `refused` of forward.db keeps the newest of them: look for another "
            "program that writes the same fields with another type, or a limit of the database",
        )
    if old := tally.get("points_too_old"):
        yield Finding(
            _SUBJECT,
            "note",
            f"points older than the bucket keeps: {old}",
            "if they are wanted there, give the bucket a longer retention period and forward anew",
        )
