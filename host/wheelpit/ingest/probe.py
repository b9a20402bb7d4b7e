"""Asks a broker whether it would serve the host, and tells the ways apart in which it may not."""

from __future__ import annotations

import secrets
import socket
import ssl
import time
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from wheelpit.contract import topics
from wheelpit.ingest.address import certificate_fault

if TYPE_CHECKING:
    from paho.mqtt.reasoncodes import ReasonCode

    from wheelpit.ingest.address import Broker

Outcome = Literal[
    "good",
    "no address",
    "nothing listens",
    "no answer",
    "not MQTT 5",
    "not authorised",
    "no topics",
    "not encrypted",
    "other authority",
    "other name",
    "run out",
    "not yet",
]
# OpenSSL's X509_V_ERR_*: x509_vfy.h; the manual page X509_STORE_CTX_get_error(3).
_CERTIFICATE: Final[dict[int, Outcome]] = {9: "not yet", 10: "run out", 62: "other name", 64: "other name"}
_LONGEST_S: Final = 5.0
_BAD_LOGIN: Final = frozenset({0x86, 0x87, 0x8A, 0x8C})


@dataclass(frozen=True, slots=True)
class Probe:
    """What became of the attempt, and the words of whoever refused it."""

    outcome: Outcome
    detail: str = ""


@dataclass(slots=True)
class _Heard:
    refused: ReasonCode | None = None
    topics: list[str] = field(default_factory=list)
    subscribed: bool = False


def probe(broker: Broker, site: str | None, longest_s: float = _LONGEST_S) -> Probe:
    """Connect to a broker as the host would, under a client id of its own, and leave again.

    Args:
        broker: where it is and as whom to connect.
        site: whose topics to subscribe; None subscribes none.
        longest_s: how long to wait for an answer.

    """
    heard = _Heard()

    def on_connect(client: Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure:
            heard.refused = reason
        elif site is None:
            heard.subscribed = True
        else:
            client.subscribe([(name, SubscribeOptions(qos=0)) for name in topics.node_filters(site)])

    def on_subscribe(
        _client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        asked = topics.node_filters(str(site))
        heard.topics = [
            f"{name} ({reason})" for name, reason in zip(asked, reasons, strict=False) if reason.is_failure
        ]
        heard.subscribed = True

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"wheelpit-doctor-{secrets.token_hex(4)}",
        protocol=MQTTv5,
        reconnect_on_failure=False,
    )
    client.connect_timeout = longest_s
    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    broker.prepare(client)
    try:
        client.connect(broker.host, broker.port, clean_start=True)
    except socket.gaierror as error:
        return Probe("no address", str(error))
    except ConnectionRefusedError as error:
        return Probe("nothing listens", str(error))
    except ssl.SSLCertVerificationError as error:
        return Probe(_CERTIFICATE.get(error.verify_code, "other authority"), error.verify_message)
    except ssl.SSLError as error:
        return Probe("not encrypted", certificate_fault(error))
    except OSError as error:
        return Probe("no answer", str(error))
    return _converse(client, heard, longest_s)


def _converse(client: Client, heard: _Heard, longest_s: float) -> Probe:
    until = time.monotonic() + longest_s
    try:
        while not heard.subscribed and heard.refused is None and time.monotonic() < until:
            if client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
    except Exception as error:  # noqa: BLE001 - paho fails in many ways on what is not MQTT
        return Probe("not MQTT 5", repr(error))
    finally:
        client.disconnect()
        sock = client.socket()
        if sock is not None:
            sock.close()
    if heard.refused is not None:
        kind: Outcome = "not authorised" if heard.refused.value in _BAD_LOGIN else "not MQTT 5"
        return Probe(kind, str(heard.refused))
    if not heard.subscribed:
        return Probe("not MQTT 5", "it took the connection and did not answer as a broker does")
    if heard.topics:
        return Probe("no topics", ", ".join(heard.topics))
    return Probe("good")


def only_from_here(broker: Broker) -> bool:
    """Return whether a broker on this machine answers here and not on the machine's address in the network."""
    if broker.host not in {"127.0.0.1", "localhost", "::1"}:
        return False
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as way_out:
        try:
            # Nothing is sent: the system only chooses the address it would speak from (RFC 5737 test network).
            way_out.connect(("192.0.2.1", 9))
        except OSError:
            return False
        address = way_out.getsockname()[0]
    with closing(socket.socket()) as knock:
        knock.settimeout(1.0)
        return knock.connect_ex((address, broker.port)) != 0
