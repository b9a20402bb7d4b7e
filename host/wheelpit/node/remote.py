"""Tells a node something over the broker, and waits for what it answers: settings, orders, and what it last said.

The node judges; here it is only carried there and back. A person who waits is told what a silence means.
"""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Protocol, Self

import msgspec
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from wheelpit.contract import topics
from wheelpit.contract.messages import Birth, Order, OrderName, OrderState, SettingsState, Status
from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Callable

    from paho.mqtt.client import MQTTMessage

MOST_BYTES: Final = 4000  # of settings: the most that a node reads
_CONNECT_S: Final = 5.0
_ANSWER_S: Final = 10.0  # for the broker itself
_KEPT_S: Final = 1.0  # in which a broker has sent what it keeps
_KINDS: Final[dict[str, type[msgspec.Struct]]] = {
    "status": Status,
    "birth": Birth,
    "settings-state": SettingsState,
    "order-state": OrderState,
}


class RemoteError(WheelpitError):
    """A node cannot be told, or did not answer: what happened and what to do."""


class BrokerLike(Protocol):
    """Where the broker is and as whom to speak to it."""

    @property
    def host(self) -> str:
        """Its name or address."""

    @property
    def port(self) -> int:
        """Its port."""

    def prepare(self, client: Client) -> None:
        """Give a client what it needs to be let in."""


@dataclass(slots=True)
class Said:
    """What the broker keeps of a node; None where it keeps nothing or what cannot be read."""

    status: Status | None = None
    birth: Birth | None = None
    settings: SettingsState | None = None


@dataclass(slots=True)
class Conversation:
    """A connection to the broker that listens to one node; a context manager. What fails raises RemoteError."""

    broker: BrokerLike
    site: str
    node: str
    said: Said = field(default_factory=Said)
    answers: list[SettingsState | OrderState] = field(default_factory=list)
    _client: Any = None
    _refused: str | None = None
    _up: bool = False

    def __enter__(self) -> Self:
        """Connect, and hear what the broker keeps of the node."""
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"wheelpit-person-{secrets.token_hex(4)}",
            protocol=MQTTv5,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_S
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        self.broker.prepare(client)
        self._client = client
        try:
            client.connect(self.broker.host, self.broker.port, clean_start=True)
        except OSError as error:
            msg = f"no broker at {self._where} ({error}): check --broker-host and --broker-port, `wheelpit doctor` helps"
            raise RemoteError(msg) from error
        if (
            not self.until(lambda: self._up or self._refused is not None, _ANSWER_S)
            or self._refused is not None
        ):
            self.__exit__()
            why = self._refused or "it does not answer as an MQTT 5 broker does"
            msg = f"the broker at {self._where} does not serve us ({why}): give --broker-user and --broker-password-file"
            raise RemoteError(msg)
        self.until(lambda: self.said.status is not None and self.said.birth is not None, _KEPT_S)
        return self

    def __exit__(self, *_: object) -> None:
        """Leave the broker."""
        self._client.disconnect()
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    @property
    def _where(self) -> str:
        return f"{self.broker.host}:{self.broker.port}"

    def until(self, there: Callable[[], bool], longest_s: float) -> bool:
        """Serve the connection until something is there, at most so long; return whether it is.

        Raises:
            RemoteError: The broker went away.
        """
        end_s = time.monotonic() + longest_s
        while not there():
            left_s = end_s - time.monotonic()
            if left_s <= 0:
                return False
            if self._client.loop(min(left_s, 0.1)) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                if self._refused is not None:
                    return False
                msg = f"the broker at {self._where} closed the connection: look at it, then try again"
                raise RemoteError(msg)
        return True

    def tell(self, kind: topics.HostKind, payload: bytes, *, retain: bool) -> None:
        """Publish to the node, and wait until the broker has it."""
        info = self._client.publish(topics.to_node(self.site, self.node, kind), payload, 1, retain)
        if not self.until(info.is_published, _ANSWER_S):
            msg = f"the broker at {self._where} did not take the message within {_ANSWER_S:.0f} s: look at the broker"
            raise RemoteError(msg)

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refused = str(reason)
            return
        wanted = [str(topics.Topic(self.site, self.node, kind)) for kind in _KINDS]
        client.subscribe([(name, SubscribeOptions(qos=1)) for name in wanted])

    def _on_subscribe(
        self, _client: Client, _data: Any, _mid: int, reasons: list[Any], _properties: Any
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            self._refused = f"it refuses subscriptions: {refused[0]}"
        self._up = True

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        kind = message.topic.rsplit("/", 1)[-1]
        try:
            told = msgspec.json.decode(message.payload, type=_KINDS[kind])
        except (KeyError, msgspec.DecodeError):
            return  # of another version, or taken back
        if isinstance(told, Status):
            self.said.status = told
        elif isinstance(told, Birth):
            self.said.birth = told
        elif isinstance(told, SettingsState):
            self.said.settings = told
            if not message.retain:
                self.answers.append(told)
        elif isinstance(told, OrderState):
            self.answers.append(told)


def ask(broker: BrokerLike, site: str, node: str) -> Said:
    """Return what the broker keeps of a node.

    Raises:
        RemoteError: The broker cannot be used, or keeps nothing of that node.
    """
    with Conversation(broker, site, node) as talk:
        talk.until(lambda: talk.said.settings is not None, _KEPT_S)
        if talk.said.status is None and talk.said.birth is None:
            raise _unknown(site, node)
        return talk.said


def order(
    broker: BrokerLike,
    site: str,
    node: str,
    what: OrderName,
    *,
    for_s: int | None = None,
    wait_s: float = 20.0,
    now_ms: int | None = None,
) -> OrderState:
    """Give a node an order that holds as long as is waited, and return its answer.

    Raises:
        RemoteError: The node is not connected, or did not answer in time.
    """
    at_ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    told = Order(id=secrets.token_hex(8), order=what, expires_ms=at_ms + round(wait_s * 1000), for_s=for_s)
    with Conversation(broker, site, node) as talk:
        _need_connected(talk)
        talk.tell("order", msgspec.json.encode(told), retain=False)

        def answered() -> bool:
            return any(isinstance(a, OrderState) and a.id == told.id for a in talk.answers)

        if not talk.until(answered, wait_s):
            msg = (
                f"node {node} did not answer the order within {wait_s:g} s. It holds no longer, so it will not be done "
                "late; the node may have done it without its answer getting through: look with `wheelpit node state`"
            )
            raise RemoteError(msg)
        return next(a for a in talk.answers if isinstance(a, OrderState) and a.id == told.id)


def as_json(said: Said) -> dict[str, Any]:
    """Return what the broker keeps of a node, for other programs."""
    parts = {"status": said.status, "birth": said.birth, "settings": said.settings}
    return {name: None if part is None else msgspec.to_builtins(part) for name, part in parts.items()}


def as_lines(node: str, said: Said) -> list[str]:
    """Return the same for people."""
    lines = [f"node {node}: " + ("never connected" if said.status is None else said.status.state)]
    birth = said.birth
    if birth is not None:
        lines.append(f"  board      {birth.board}, chip {birth.chip}, firmware {birth.firmware}")
        lines.append(f"  start      number {birth.boot}, after: {birth.reset}")
        if birth.mode == "minimal":
            lines.append(
                "  mode       MINIMAL: five starts in a row came too soon; optional chips are left out"
            )
        lines.append(f"  settings   revision {birth.revision} is in force")
        if birth.last_fault:
            lines.append(f"  last fault {birth.last_fault}")
        restarts = ", ".join(f"{task} {count}" for task, count in birth.restarts.items())
        if restarts:
            lines.append(f"  restarts   {restarts}")
    if said.settings is not None and said.settings.state != "applied":
        lines.append(f"  settings   revision {said.settings.revision} {said.settings.state}")
        lines += [f"             {problem}" for problem in said.settings.problems]
    return lines


def next_revision(said: Said) -> int:
    """Return a revision that a node takes: above the one in force, and above those it has refused."""
    held = [said.birth.revision, said.birth.refused_revision] if said.birth is not None else [0]
    if said.settings is not None:
        held += [said.settings.revision, said.settings.in_force]
    return max(held) + 1


def send_settings(
    broker: BrokerLike,
    site: str,
    node: str,
    settings: dict[str, Any],
    *,
    revision: int | None = None,
    wait_s: float = 700.0,
    tell: Callable[[str], None] = lambda _: None,
) -> SettingsState:
    """Leave settings for a node at the broker and wait until they are in force, or refused, or taken back.

    Args:
        broker: Where the broker is.
        site: The site's id.
        node: The node's id.
        settings: The whole of its settings.json; its revision is replaced.
        revision: Of these settings; without it one above all that the node has had.
        wait_s: How long to wait. A node takes up to five minutes, twice, to find that it does not reach the broker.
        tell: Is given a line when something has changed.

    Raises:
        RemoteError: They are too long, or there was no last word in time.
    """
    with Conversation(broker, site, node) as talk:
        talk.until(lambda: talk.said.settings is not None, _KEPT_S)
        if talk.said.status is None and talk.said.birth is None:
            raise _unknown(site, node)
        number = next_revision(talk.said) if revision is None else revision
        payload = msgspec.json.encode(settings | {"revision": number})
        if len(payload) > MOST_BYTES:
            msg = f"settings of {len(payload)} bytes are more than the {MOST_BYTES} a node reads: install them at the board"
            raise RemoteError(msg)
        online = talk.said.status is not None and talk.said.status.state == "online"
        talk.answers.clear()
        talk.tell("settings", payload, retain=True)
        tell(
            f"revision {number} lies at the broker"
            + ("" if online else f"; node {node} is not connected now")
        )
        heard = 0

        def settled() -> bool:
            nonlocal heard
            for answer in talk.answers[heard:]:
                if (
                    isinstance(answer, SettingsState)
                    and answer.revision == number
                    and answer.state == "trying"
                ):
                    again = f" once more ({answer.problems[0]})" if answer.problems else ""
                    tell(f"node {node} has checked them and tries them{again}: it restarts")
            heard = len(talk.answers)
            return _last_word(talk, number) is not None

        talk.until(settled, wait_s)
        found = _last_word(talk, number)
        if found is None:
            msg = (
                f"node {node} gave no last word on revision {number} within {wait_s:g} s. The settings stay at the "
                "broker and it takes them when it comes; look with `wheelpit node state`"
            )
            raise RemoteError(msg)
        return found


def forget_settings(broker: BrokerLike, site: str, node: str) -> None:
    """Take the settings that lie at the broker for a node away; what is in force there stays.

    Raises:
        RemoteError: The broker cannot be used.
    """
    with Conversation(broker, site, node) as talk:
        talk.tell("settings", b"", retain=True)


def _last_word(talk: Conversation, revision: int) -> SettingsState | None:
    for answer in reversed(talk.answers):
        if isinstance(answer, SettingsState) and answer.revision == revision and answer.state != "trying":
            return answer
    return None


def _need_connected(talk: Conversation) -> None:
    status = talk.said.status
    if status is None:
        raise _unknown(talk.site, talk.node)
    if status.state != "online":
        msg = (
            f"node {talk.node} is not connected to the broker: check its supply and its Wi-Fi, then try again"
        )
        raise RemoteError(msg)


def _unknown(site: str, node: str) -> RemoteError:
    return RemoteError(
        f"the broker knows no node {node} of {site}: check both names; a node is known once it has connected"
    )
