"""Looks a set-up over and says what is wrong with it and what to do.

Everything is looked at from outside and nothing is changed, so it can run beside the service at any time.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError
from wheelpit.ingest.probe import only_from_here, probe
from wheelpit.places import running
from wheelpit.report.finding import RECENT_MS, Finding, age
from wheelpit.report.forwarding import forward_findings
from wheelpit.store import ledger as ledgers
from wheelpit.store import live as lives
from wheelpit.store.bookkeeper import CLOCK_SLACK_MS
from wheelpit.store.live import LiveReader
from wheelpit.store.reader import LedgerReader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from wheelpit.ingest.address import Broker
    from wheelpit.ingest.probe import Probe
    from wheelpit.store.rows import LiveRow, NodeRow

# The write-ahead log is folded back at 16 MiB; four times that means that something holds it open.
_LARGEST_LOG: Final = 64 << 20
_LEAST_FREE: Final = 512 << 20
_LIVE_AGE_MS: Final = 60_000
_RECORD_AGE_MS: Final = 15 * 60_000
_CLOCK_APART_MS: Final = 2_000
_SAMPLE: Final = 160


def sqlite_finding(version: tuple[int, int, int]) -> Finding:
    """Judge a SQLite version by its WAL-reset bug: 3.7.0 to 3.51.2, mended in 3.44.6, 3.50.7 and 3.51.3.

    Source: https://sqlite.org/wal.html#walresetbug and https://www.sqlite.org/changes.html.
    """
    said = "SQLite " + ".".join(map(str, version))
    mended = (
        version < (3, 7, 0)
        or version >= (3, 51, 3)
        or (version[:2] in {(3, 44), (3, 50)} and version >= {44: (3, 44, 6), 50: (3, 50, 7)}[version[1]])
    )
    if mended:
        return Finding("sqlite", "good", said)
    return Finding(
        "sqlite",
        "note",
        f"{said} has the WAL-reset bug, which can damage a database that two connections write at once",
        "only the service writes the ledger, so it should not be met: keep other programs from writing it, make "
        "backups, and move to 3.51.3 or later when your system brings it",
    )


_BROKER: Final[dict[str, tuple[str, str]]] = {
    "no address": ("its name is unknown", "check --broker-host and the name service"),
    "nothing listens": (
        "the machine answers, but no broker listens there",
        "start the broker, check --broker-port, and that its `listener` is not bound to another address",
    ),
    "no answer": ("nothing answers", "check the network, the address and the firewall"),
    "not MQTT 5": (
        "what answers there does not speak MQTT 5",
        "check --broker-port, and that the broker speaks version 5",
    ),
    "not authorised": (
        "the broker refused user or password",
        "give --broker-user and --broker-password-file as in the broker's password file",
    ),
    "not encrypted": (
        "it and this host do not agree on an encrypted connection",
        "check --broker-port: an encrypted listener is usually at 8883, and needs --broker-ca",
    ),
    "other authority": (
        "its certificate was made by another authority than the one in --broker-ca",
        "give the ca.pem of the authority that made it, or make it again with `wheelpit keys --tls-name`",
    ),
    "other name": (
        "its certificate is for other names than the one it is called by here",
        "call it by a name in its certificate, or make it again with `wheelpit keys --tls-name` and this name as well",
    ),
    "run out": (
        "its certificate has run out",
        "make it again with `wheelpit keys` and the options used before, then have the broker read it (SIGHUP)",
    ),
    "not yet": ("its certificate holds only from a later day on", "look at this machine's clock"),
    "no topics": (
        "the broker refused subscriptions of the host",
        "give the host's user read access to them in the broker's access list",
    ),
}


def broker_findings(broker: Broker, found: Probe, *, local_only: bool) -> Iterator[Finding]:
    """Say what became of a connection to the broker."""
    if found.outcome == "good":
        yield Finding("broker", "good", f"{broker} serves the host")
        if local_only:
            yield Finding(
                "broker",
                "note",
                f"{broker} answers on this machine only: no node in the network can reach it",
                "if nodes are to reach it, give the broker a `listener` on the network, with passwords",
            )
        return
    says, remedy = _BROKER[found.outcome]
    yield Finding("broker", "wrong", f"{broker}: {says} ({found.detail})", remedy)


def _node(node: NodeRow, live: LiveRow | None, now_ms: int, *, served: bool) -> Iterator[Finding]:
    subject = f"node {node.node}"
    if node.disputed_chip is not None:
        yield Finding(
            subject,
            "wrong",
            f"boards {node.chip} and {node.disputed_chip} both say that they are store {node.journal}: "
            "nothing of it is booked",
            "empty the store folder of the board to which its contents were copied",
        )
    if node.conflicts:
        yield Finding(
            subject,
            "wrong",
            f"{node.conflicts} record numbers of store {node.journal} came twice with different contents",
            "empty the node's store folder, so that it begins a new store",
        )
    if not served:
        return  # what a node does is not known while nobody listens
    if node.online is not True:
        said = "is not connected" if node.online is False else "was not heard since the service started"
        yield Finding(subject, "wrong", f"{said}", "check its supply, its Wi-Fi and its broker settings")
        return
    live_age = None if live is None else now_ms - live.arrived_ms
    record_age = None if node.last_end_ms is None else now_ms - node.last_end_ms
    if live_age is None or live_age > _LIVE_AGE_MS:
        said = "never" if live_age is None else f"{age(live_age)} ago"
        yield Finding(
            subject, "wrong", f"is connected, but its last live values came {said}", "start the node again"
        )
    if record_age is None or record_age > _RECORD_AGE_MS:
        said = (
            "has no dated record" if record_age is None else f"its newest record ended {age(record_age)} ago"
        )
        yield Finding(
            subject,
            "wrong",
            said,
            "if it has just been away it is sending its backlog: look again in a few minutes; otherwise look at "
            "its console",
        )
    if live is not None and live.live.at_ms is not None:
        apart = abs(live.arrived_ms - live.live.at_ms)
        says = f"its clock and this machine's differ by {apart / 1000:.1f} s"
        if apart > _CLOCK_APART_MS:
            remedy = "a slow network or a wrong clock: compare this machine's clock with another"
            yield Finding(subject, "wrong", says, remedy)
        else:
            yield Finding(subject, "good", says)


def _ledger(state: Path, now_ms: int, *, served: bool) -> Iterator[Finding]:
    reader = LedgerReader(state / ledgers.FILE)
    live = LiveReader(state / lives.FILE)
    with reader.open() as db:
        (seen_ms,) = db.execute("SELECT seen_ms FROM ledger").fetchone()
    if now_ms < seen_ms - CLOCK_SLACK_MS:
        yield Finding(
            "clock",
            "wrong",
            f"this machine's clock is {age(seen_ms - now_ms)} behind what the ledger has seen",
            "set it; if it is right now and was wrong before: `wheelpit serve --accept-clock`",
        )
    else:
        yield Finding("clock", "good", "this machine's clock is not behind what the ledger has seen")
    for site in reader.sites():
        newest = {row.node: row for row in live.latest(site)}
        for node in reader.nodes(site):
            faults = list(_node(node, newest.get(node.node), now_ms, served=served))
            yield from faults
            if served and not any(found.level == "wrong" for found in faults):
                yield Finding(f"node {node.node}", "good", "is connected, its values and records are new")
        yield from _strangers(live, site, now_ms)
    yield from _messages(reader, now_ms)


def _strangers(live: LiveReader, site: str, now_ms: int) -> Iterator[Finding]:
    for stranger in live.strangers(site):
        if now_ms - stranger.heard_ms < RECENT_MS:
            yield Finding(
                f"node {stranger.node}",
                "wrong",
                f"the plant's description names no such node; {stranger.messages} messages of it were turned away, the "
                f"last {age(max(0, now_ms - stranger.heard_ms))} ago",
                "if it is yours, give it a sensor in plant.toml and start the service again: it still has its "
                "records; if not, find who publishes under that name",
            )


def _messages(reader: LedgerReader, now_ms: int) -> Iterator[Finding]:
    for letter in reader.dead_letters(1):
        recent = now_ms - letter.at_ms < RECENT_MS
        sample = letter.payload[:_SAMPLE].decode("utf-8", "replace")
        yield Finding(
            "dead letters",
            "wrong" if recent else "note",
            f"the last message that could not be used came {age(max(0, now_ms - letter.at_ms))} ago on "
            f"{letter.topic}: {letter.reason}; it begins {sample!r}",
            "update the older of node and host; if the topic is none of yours, find who publishes on it",
        )
    tallies = reader.tallies()
    if tallies:
        told = ", ".join(f"{name} {amount}" for name, amount in tallies.items())
        yield Finding("tallies", "note", f"since the ledger began: {told}")
    if dropped := tallies.get("dropped_by_broker"):
        yield Finding(
            "broker",
            "note",
            f"the broker threw {dropped} messages away while the service listened; nodes send records again",
            "raise `max_queued_messages` in its configuration, and look for a client that does not keep up",
        )
    if tallies.get("failed_checks"):
        says = f"the nightly check found the ledger damaged {tallies['failed_checks']} times"
        yield Finding(
            "ledger", "wrong", says, "end the service and put a backup in its place: `wheelpit restore COPY`"
        )


def _files(state: Path) -> Iterator[Finding]:
    sizes = {
        name: path.stat().st_size if (path := state / name).exists() else 0
        for name in (ledgers.FILE, f"{ledgers.FILE}-wal")
    }
    ledger, log = sizes.values()
    said = f"the ledger has {ledger / 1e6:.1f} MB, its write-ahead log {log / 1e6:.1f} MB"
    if log > _LARGEST_LOG:
        remedy = "some program keeps the ledger open: end it (an old board, a database viewer), then start the service"
        yield Finding("files", "wrong", said, remedy)
    else:
        yield Finding("files", "good", said)
    if state.exists():
        free = shutil.disk_usage(state).free
        said = f"{free / 1e9:.1f} GB free on the disk of {state}"
        if free < _LEAST_FREE:
            yield Finding("disk", "wrong", said, "make room, before the ledger cannot grow")
        else:
            yield Finding("disk", "good", said)


def examine(state: Path, broker: Broker, now_ms: int | None = None) -> list[Finding]:
    """Look a set-up over.

    Args:
        state: the state folder.
        broker: where the broker is and as whom the host connects.
        now_ms: the time of day; this machine's if None.

    """
    at_ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    service = running(state, "serve")
    found: list[Finding] = []
    if service is None:
        found.append(
            Finding(
                "service",
                "wrong",
                f"no service works on {state}",
                "start `wheelpit serve --plant plant.toml`",
            )
        )
    else:
        found.append(Finding("service", "good", f"runs as process {service['pid']}"))
    site = None if service is None else str(service["site"])
    found += broker_findings(broker, probe(broker, site), local_only=only_from_here(broker))
    try:
        found += _ledger(state, at_ms, served=service is not None)
    except WheelpitError as error:
        found.append(Finding("ledger", "wrong", str(error), "follow that advice, then look again"))
    except sqlite3.DatabaseError as error:
        remedy = "end the service and put a backup in its place: `wheelpit restore COPY`"
        found.append(Finding("ledger", "wrong", f"{state / ledgers.FILE} cannot be read: {error}", remedy))
    found += forward_findings(state, at_ms)
    found += _files(state)
    found.append(sqlite_finding(sqlite3.sqlite_version_info))
    return found
