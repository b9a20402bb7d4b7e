"""The host's connection to the broker: MQTT 5, kept up for ever, in one thread of its own.

Only this thread touches the MQTT client. Its callbacks do nothing but put events into the inbox; what the writer
wants sent (acknowledgements after its commit, receipts, answers) goes through a queue. The session is clean at
each connect: nodes keep their records until the host's receipt, so nothing needs to lie at the broker.

A message is acknowledged only after its commit, and only on the connection that brought it.
"""

from __future__ import annotations

import logging
import select
import socket
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from wheelpit.contract import topics
from wheelpit.ingest.address import Broker, BrokerError, certificate_fault
from wheelpit.ingest.decode import MOST_BYTES
from wheelpit.ingest.inbox import RECEIVE_MAXIMUM, Connected, Failed, Inbox, Incoming
from wheelpit.ingest.sockets import gathered, no_delay, waits

if TYPE_CHECKING:
    from collections.abc import Iterable

    from paho.mqtt.client import ConnectFlags, DisconnectFlags, MQTTMessage

_KEEPALIVE_S: Final = 30
_CONNECT_S: Final = 5.0
_CONNACK_S: Final = 10.0
_SHORTEST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 15.0
_AFTER_DROP_S: Final = 3.0
_SAY_AGAIN_S: Final = 60.0
_GOODBYE_S: Final = 3.0
# Our own window of unacknowledged publications: brokers allow 20 unless told otherwise.
_WINDOW: Final = 20
# A broker must not send us a packet larger than this; above MOST_BYTES only the beginning is kept.
_MOST_PACKET: Final = 1 << 20
_REFUSED: Final = frozenset({0x86, 0x87, 0x8A, 0x8C})  # user or password, not authorised, banned, auth method
_TAKEN_OVER: Final = 0x8E
_WITH_WILL: Final = 0x04
# How many packets are read before acknowledgements are looked at again.
_BURST: Final = 100
_QOS_1: Final = frozenset({"record", "birth", "status"})

_log = logging.getLogger(__name__)


class BrokerRefusedError(BrokerError):
    """The broker refused the user, the password or a subscription."""


class TakenOverError(BrokerError):
    """Another host connected under the same client id."""

    exit_code = 3


class NetworkThreadError(BrokerError):
    """The network's thread died of an error of this program."""

    exit_code = 70


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to publish."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


class Link(threading.Thread):
    """Keeps the connection to the broker.

    Args:
        broker: where it is.
        site: the site whose nodes are listened to; the client id follows from it.
        will: what the broker says for the host when the connection breaks.
        inbox: where events go.

    """

    def __init__(self, broker: Broker, site: str, will: Outgoing, inbox: Inbox) -> None:
        super().__init__(name="mqtt", daemon=True)
        self.beat_s = time.monotonic()
        self._broker = broker
        self._site = site
        self._client_id = f"wheelpit-host-{site}"
        self._will = will
        self._inbox = inbox
        self._generation = 0
        self._at_once: deque[Outgoing | tuple[int, int]] = deque()  # acknowledgements and news
        self._todo: deque[Outgoing] = deque()  # what the broker must acknowledge
        self._wake_read, self._wake_write = socket.socketpair()
        for end in (self._wake_read, self._wake_write):
            end.settimeout(0)
        self._ending = threading.Event()
        self._drop: str | None = None
        self._was_up = False
        self._said: tuple[str, float] = ("", 0.0)
        self._ask_count = True  # whether to ask how many messages the broker threw away
        # The state of the present connection, set by the callbacks.
        self._ready = self._asked_count = False
        self._why: str | None = None
        self._fatal: BrokerError | None = None
        self._unacked: set[int] = set()

    # For the writer's thread.

    def send(self, acks: Iterable[tuple[int, int]], messages: Iterable[Outgoing]) -> None:
        """Acknowledge messages `(generation, mid)` and publish others; those of QoS 0 do not wait for any other."""
        self._at_once.extend(acks)
        for message in messages:
            (self._todo if message.qos else self._at_once).append(message)
        self._wake()

    def drop(self, why: str) -> None:
        """Break the connection, with the will, and connect again: nodes send again what has no receipt."""
        self._drop = why
        self._wake()

    def close(self, timeout_s: float = 2 * _GOODBYE_S) -> None:
        """Send what is queued, say goodbye and end the thread."""
        self._ending.set()
        self._wake()
        if self.is_alive():
            self.join(timeout_s)
        if not self.is_alive():
            self._wake_read.close()
            self._wake_write.close()

    def _wake(self) -> None:
        try:
            self._wake_write.send(b"\0")
        except BlockingIOError:
            return  # it is awake already

    # The thread.

    def run(self) -> None:
        """Connect, listen, connect again; ends on `close` or for a reason that connecting again cannot mend."""
        pause_s = _SHORTEST_PAUSE_S
        try:
            while not self._ending.is_set():
                lasted = self._one_connection()
                if self._fatal is not None:
                    self._inbox.put(Failed(self._fatal))
                    return
                if self._asked_count and not self._ask_count:
                    continue
                pause_s = _SHORTEST_PAUSE_S if lasted else min(2 * pause_s, _LONGEST_PAUSE_S)
                self._rest(pause_s if self._drop is None else _AFTER_DROP_S)
        except Exception as error:  # noqa: BLE001 - whatever it was, the service must hear of it
            _log.exception("the network's thread died")
            msg = f"the network's thread died: {error!r}; the service must start again"
            self._inbox.put(Failed(NetworkThreadError(msg)))

    def _rest(self, pause_s: float) -> None:
        until = time.monotonic() + pause_s
        while (left := until - time.monotonic()) > 0 and not self._ending.is_set():
            self.beat_s = time.monotonic()
            self._ending.wait(min(left, 1.0))

    def _one_connection(self) -> bool:
        """Connect and serve until the connection ends; return whether it was up."""
        self._generation += 1
        self._ready, self._asked_count, self._why, self._drop = False, False, None, None
        self._unacked.clear()
        self._at_once.clear()
        self._todo.clear()
        self.beat_s = time.monotonic()
        try:
            client = self._new_client()
        except BrokerError as error:
            self._fatal = error
            return False
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho left it untyped
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.SessionExpiryInterval = 0
        properties.MaximumPacketSize = _MOST_PACKET
        try:
            client.connect(
                self._broker.host, self._broker.port, _KEEPALIVE_S, clean_start=True, properties=properties
            )
        except ConnectionRefusedError:
            self._say(f"no broker at {self._broker} yet; waiting for it")
            return False
        except OSError as error:
            why = certificate_fault(error)
            if why and not self._was_up:
                self._fatal = BrokerRefusedError(
                    f"the broker at {self._broker}: {why}; `wheelpit doctor` says more"
                )
            self._say(f"the broker at {self._broker} cannot be reached ({why or error}); trying again")
            return False
        started = time.monotonic()
        try:
            self._serve(client, started)
        finally:
            sock = client.socket()
            if sock is not None:
                sock.close()
        return self._ready

    def _new_client(self) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTv5,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_S
        self._broker.prepare(client)
        client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_socket_open = lambda _client, _data, sock: no_delay(sock)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = lambda _client, _data, mid, _reason, _properties: self._unacked.discard(mid)
        return client

    def _serve(self, client: Client, started_s: float) -> None:
        goodbye_s: float | None = None
        while (sock := client.socket()) is not None:
            now = time.monotonic()
            self.beat_s = now
            if not self._ready and now - started_s > _CONNACK_S:
                self._say(
                    f"something answers at {self._broker} but it does not speak MQTT 5: another program has the "
                    "port, or the broker speaks 3.1.1 only; trying again"
                )
                return
            if self._drop is not None:
                self._say(f"leaving the broker: {self._drop}")
                client.disconnect(reasoncode=ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL))
                return
            self._work_off(client)
            if client.socket() is None:
                return  # sending found the connection broken
            if self._ending.is_set():
                goodbye_s = now + _GOODBYE_S if goodbye_s is None else goodbye_s
                nothing_left = not (self._at_once or self._todo or self._unacked or client.want_write())
                if now > goodbye_s or nothing_left or not self._ready:
                    client.disconnect()
                    return
            to_write = [sock] if client.want_write() else []
            patience_s = 0.0 if waits(sock) else 0.5
            readable, writable, _ = select.select([sock, self._wake_read], to_write, [], patience_s)
            if self._wake_read in readable:
                self._wake_read.recv(4096)
            if writable:
                client.loop_write()
            if (sock in readable or waits(sock)) and not self._read(client, sock):
                return
            client.loop_misc()

    def _read(self, client: Client, sock: Any) -> bool:
        """Read the packets that are there; return False when what came is not MQTT."""
        for _ in range(_BURST):
            try:
                code = client.loop_read()
            except Exception as error:
                if self._ready:
                    raise  # then it is ours
                self._say(f"what answers at {self._broker} does not speak MQTT 5 ({error}); trying again")
                return False
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or client.socket() is None:
                return True
            if not waits(sock) and not select.select([sock], [], [], 0)[0]:
                return True
        return True

    def _work_off(self, client: Client) -> None:
        if not self._ready or not (self._at_once or self._todo):
            return
        with gathered(client.socket()):
            self._send_what_waits(client)

    def _send_what_waits(self, client: Client) -> None:
        while self._at_once:
            item = self._at_once.popleft()
            if isinstance(item, Outgoing):
                client.publish(item.topic, item.payload, item.qos, item.retain)
            elif item[0] == self._generation:
                client.ack(item[1], 1)
        while self._todo and len(self._unacked) < _WINDOW:
            message = self._todo.popleft()
            info = client.publish(message.topic, message.payload, message.qos, message.retain)
            self._unacked.add(info.mid)

    # The client's callbacks.

    def _on_connect(
        self, client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._why = f"the broker at {self._broker} refused the connection: {reason}"
            if reason.value in _REFUSED and not self._was_up:
                user = "without a user" if self._broker.user is None else f"as {self._broker.user!r}"
                msg = f"{self._why} ({user}); set --broker-user and --broker-password-file"
                self._fatal = BrokerRefusedError(msg)
            return
        wanted = [
            (wanted, SubscribeOptions(qos=int(wanted.rsplit("/", 1)[1] in _QOS_1)))
            for wanted in topics.node_filters(self._site)
        ]
        # Last, and its refusal is no fault: not every broker counts, and not every access list lets the host hear.
        self._asked_count = self._ask_count
        if self._ask_count:
            wanted.append((topics.BROKER_DROPPED, SubscribeOptions(qos=0)))
        client.subscribe(wanted)

    def _on_subscribe(
        self, client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        refused = [
            f"{wanted} ({reason})"
            for wanted, reason in zip(topics.node_filters(self._site), reasons, strict=False)
            if reason.is_failure
        ]
        if refused:
            self._why = f"the broker at {self._broker} refused to subscribe {', '.join(refused)}"
            if not self._was_up:
                self._fatal = BrokerRefusedError(f"{self._why}: give this user read access to them")
            client.disconnect()
            return
        self._ready = self._was_up = True
        self._said = ("", 0.0)
        _log.info("connected to the broker at %s, listening to %s", self._broker, self._site)
        self._inbox.put(Connected(self._generation))

    def _on_disconnect(
        self, _client: Client, _data: object, flags: DisconnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            msg = (
                f"another host took over the connection to {self._broker}: only one `wheelpit serve` may run "
                f"for the site {self._site}; end the other one"
            )
            self._fatal = TakenOverError(msg)
        elif self._asked_count and not self._ready and self._why is None:
            self._ask_count = (
                False  # some brokers close the connection of whoever asks for that; then without it
            )
        elif not self._ending.is_set() and self._drop is None:
            lost = "the connection was closed before the broker accepted it: wrong user or password, or not MQTT 5"
            self._say(self._why or (f"lost the broker at {self._broker} ({reason})" if self._ready else lost))

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        event = Incoming(
            topic=topic,
            payload=bytes(message.payload[:MOST_BYTES]),
            length=len(message.payload),
            qos=message.qos,
            retained=message.retain,
            mid=message.mid,
            generation=self._generation,
        )
        if not self._inbox.put(event):
            self._drop = "it sent more messages than this host said it would take"

    def _say(self, text: str) -> None:
        """Say what is wrong once, and again each minute while it stays so."""
        now = time.monotonic()
        if text != self._said[0] or now - self._said[1] > _SAY_AGAIN_S:
            self._said = (text, now)
            _log.warning("%s", text)
