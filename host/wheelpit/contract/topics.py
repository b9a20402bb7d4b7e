"""Topics: `wheelpit/1/<site>/<node>/<kind>`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal, get_args

MAJOR: Final = 1
HOST: Final = "host"  # reserved node id under which the host speaks of itself
_ROOT: Final = "wheelpit"
# Where a broker counts the messages it threw away. A convention of brokers, in no standard; one without it says nothing.
BROKER_DROPPED: Final = "$SYS/broker/publish/messages/dropped"
_ID: Final = re.compile(r"[a-z0-9-]{1,32}\Z")

BookedKind = Literal["status", "birth", "live", "record", "time-ask"]  # what `serve` listens to
AnswerKind = Literal["settings-state", "order-state"]  # what a person waits for who told a node something
NodeKind = BookedKind | AnswerKind
HostKind = Literal["receipt", "time", "settings", "order"]
BOOKED_KINDS: Final[tuple[BookedKind, ...]] = get_args(BookedKind)
ANSWER_KINDS: Final[tuple[AnswerKind, ...]] = get_args(AnswerKind)
NODE_KINDS: Final[tuple[NodeKind, ...]] = (*BOOKED_KINDS, *ANSWER_KINDS)
HOST_KINDS: Final[tuple[HostKind, ...]] = get_args(HostKind)


class TopicError(ValueError):
    """A topic that this version does not speak; the text says which part and why."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A parsed topic of major version 1."""

    site: str
    node: str
    kind: str

    def __str__(self) -> str:
        """Return the topic as it goes over the wire."""
        return f"{_ROOT}/{MAJOR}/{self.site}/{self.node}/{self.kind}"


def check_id(value: str, what: str) -> str:
    """Return `value` if it may name a site or a node; raise `ValueError` saying what is wrong with it."""
    if not _ID.match(value):
        msg = f"{what} {value!r}: use 1 to 32 of the characters a-z, 0-9 and -"
        raise ValueError(msg)
    return value


def parse(topic: str) -> Topic:
    """Split a topic; raise `TopicError` for another root, another major version or a malformed id."""
    parts = topic.split("/")
    if len(parts) != 5 or parts[0] != _ROOT:  # noqa: PLR2004 - root, major, site, node, kind
        msg = f"topic {topic!r} is not {_ROOT}/{MAJOR}/<site>/<node>/<kind>"
        raise TopicError(msg)
    _, major, site, node, kind = parts
    if major != str(MAJOR):
        msg = f"topic {topic!r} speaks version {major}; this host speaks {MAJOR}: update the older of the two"
        raise TopicError(msg)
    if not (_ID.match(site) and _ID.match(node) and _ID.match(kind)):
        msg = f"topic {topic!r}: site, node and kind take 1 to 32 of the characters a-z, 0-9 and -"
        raise TopicError(msg)
    return Topic(site, node, kind)


def node_filters(site: str) -> list[str]:
    """Return the subscriptions that bring everything that is booked of a site's nodes, and nothing the host says."""
    return [f"{_ROOT}/{MAJOR}/{site}/+/{kind}" for kind in BOOKED_KINDS]


def answer_filters(site: str) -> list[str]:
    """Return the subscriptions that bring what the nodes of a site answer to settings and orders."""
    return [f"{_ROOT}/{MAJOR}/{site}/+/{kind}" for kind in ANSWER_KINDS]


def from_node(site: str, node: str, kind: NodeKind) -> str:
    """Return the topic on which a node speaks."""
    return str(Topic(site, node, kind))


def to_node(site: str, node: str, kind: HostKind) -> str:
    """Return the topic on which the host speaks to one node."""
    return str(Topic(site, node, kind))


def host_status(site: str) -> str:
    """Return the retained topic, with last will, that tells nodes whether the host is there."""
    return str(Topic(site, HOST, "status"))
