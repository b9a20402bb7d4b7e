"""What a node says, and a node that says it over MQTT: in order, through a window, again when it must."""

from __future__ import annotations

import json
import socket
import threading
import time
from typing import TYPE_CHECKING, Any, Self

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from tests import packed

from wheelpit.contract.names import SEQ_PER_BOOT

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage

NOON_MS = 1_780_311_600_000  # 2026-06-01 11:00 UTC
JOURNAL = "0123456789abcdef"
SITE = "sallow-ghyll"


def record_json(n: int, boot: int = 1, **changed: Any) -> dict[str, Any]:
    """Record `n` of a boot: 10 s, its energy n + 1000 mWh, so that each record has an energy of its own."""
    up_ms = n * 10_000
    told: dict[str, Any] = {
        "seq": boot * SEQ_PER_BOOT + n,
        "first": boot * SEQ_PER_BOOT + n,
        "up_ms": up_ms,
        "dur_ms": 10_000,
        "span_ms": 10_000,
        "end_ms": NOON_MS + up_ms,
        "clock": "host",
        "state": "turning",
        "mean": {"wheel_rpm": 10.4, "rectified_v": 20.8, "battery_v": 13.5, "charge_a": 5.4},
        "min": {"wheel_rpm": 10.1, "rectified_v": 20.1, "battery_v": 13.4, "charge_a": 5.0},
        "max": {"wheel_rpm": 10.9, "rectified_v": 21.3, "battery_v": 13.6, "charge_a": 5.9},
        "total": {
            "wheel_mrev": n * 1733,
            "charge_mwh": 1000 * n + n * (n + 1) // 2,
            "charge_valid_ms": up_ms,
        },
    }
    return told | changed


def birth_json(**changed: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "journal": JOURNAL,
        "boot": 1,
        "chip": "aa11",
        "oldest": 0,
        "newest": 0,
        "firmware": "1",
        "interpreter": "1",
        "board": "test",
        "reset": "power",
        "record_s": 10,
        "channels": {},
        "totals": ["charge_mwh"],
        "capacity": 1000,
        "held": 0,
    }
    return told | changed


def live_json(up_ms: int = 5_000, **changed: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "journal": JOURNAL,
        "boot": 1,
        "up_ms": up_ms,
        "at_ms": None,
        "clock": "none",
        "state": "turning",
        "edge_age_ms": 200,
        "edge_gap_ms": 1500,
        "values": {"battery_v": 13.5},
    }
    return told | changed


class SimNode:
    """A node over MQTT: holds its records, sends them in order through a window, goes back when told to."""

    WINDOW = 8

    def __init__(self, port: int, records: list[dict[str, Any]], per_message: int = 3) -> None:
        self.records = records
        self.per_message = per_message
        self.lock = threading.RLock()
        self.port = port
        self.mark: tuple[str, int] | None = None
        self.upto = 0
        self.sent = 0
        self.still = 0
        self.host_online = False
        self.receipts = 0
        self.moved_s = time.monotonic()
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="test-node", protocol=MQTTv5)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._on_connect
        self.client.on_message = self._on_message
        self.client.on_socket_open = self._no_delay

    @staticmethod
    def _no_delay(_client: Client, _data: Any, sock: Any) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def topic(self, kind: str, node: str = "wheel") -> str:
        return f"wheelpit/1/{SITE}/{node}/{kind}"

    def __enter__(self) -> Self:
        self.client.connect_async("127.0.0.1", self.port)
        self.client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: Client, *_: Any) -> None:
        with self.lock:
            self.sent = self.upto
            client.subscribe([(self.topic("receipt"), 1), (self.topic("status", "host"), 1)])
            self.birth()

    def birth(self) -> None:
        told = birth_json(oldest=self.records[0]["seq"], newest=self.records[-1]["seq"])
        self.client.publish(self.topic("birth"), json.dumps(told), 1, retain=True)

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        told = json.loads(message.payload)
        with self.lock:
            if message.topic.endswith("/status"):
                self.host_online = told["state"] == "online"
            elif message.topic.endswith("/receipt"):
                self._receipt(told)
            self.fill()

    def _receipt(self, told: dict[str, Any]) -> None:
        self.receipts += 1
        mark = (told["ledger"], told["start"])
        upto = told["upto"] if told["journal"] == JOURNAL else 0
        if mark != self.mark:
            self.mark, self.upto = mark, 0
            self.birth()
        before = self.upto
        self.upto = max(self.upto, min(upto, self.records[-1]["seq"]))
        if self.upto > before:
            self.still, self.moved_s = 0, time.monotonic()
            self.sent = max(self.sent, self.upto)
            return
        self.still += 1
        if self.still == 2 and self.sent > self.upto:
            self.sent = self.upto

    def fill(self) -> None:
        """Send as much as the window allows."""
        first = self.records[0]["seq"]
        while self.host_online:
            at = max(0, self.sent - first + 1)
            open_records = self.sent - max(self.upto, first - 1) if self.sent else 0
            batch = self.records[at : at + self.per_message]
            if not batch or open_records >= self.WINDOW * self.per_message:
                return
            after = self.records[at - 1]["seq"] if at else 0
            body = packed.message(JOURNAL, after, batch)
            self.client.publish(self.topic("record"), json.dumps(body), 1)
            self.sent = batch[-1]["seq"]

    def tend(self) -> None:
        """The rewind timer: begin again from the receipt when nothing moved for two seconds."""
        with self.lock:
            if time.monotonic() - self.moved_s > 2 and self.upto < self.records[-1]["seq"]:
                self.sent, self.still, self.moved_s = self.upto, 0, time.monotonic()
                self.fill()

    @property
    def done(self) -> bool:
        self.tend()
        return bool(self.upto >= self.records[-1]["seq"])
