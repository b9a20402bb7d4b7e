"""A host that answers what a node says through a scripted broker: receipts, the time, and that it listens."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any, Final

from wheelpit.contract import topics

if TYPE_CHECKING:
    from scripted_broker import Published, ScriptedBroker

SITE: Final = "sallow-ghyll"
NODE: Final = "wheel"


class ScriptedHost:
    """Takes every record in order and remembers which it has; `stored` are its seqs by journal, oldest first."""

    def __init__(self, broker: ScriptedBroker, *, online: bool = True) -> None:
        self.broker = broker
        self.ledger = "a" * 16
        self.start = 1
        self.stored: dict[str, list[int]] = {}
        self.copies = 0
        self.answers = True
        broker.on_publish = self.take
        self.say_status(online=online)

    def say_status(self, *, online: bool) -> None:
        told = {"state": "online" if online else "offline", "ledger": self.ledger, "start": self.start}
        self.broker.say(topics.host_status(SITE), told, retain=True)

    def say_receipt(self, journal: str) -> None:
        upto = (self.stored.get(journal) or [0])[-1]
        told = {"ledger": self.ledger, "start": self.start, "journal": journal, "upto": upto}
        self.broker.say(topics.to_node(SITE, NODE, "receipt"), told, retain=True)

    def take(self, message: Published) -> None:
        if message.kind == "time-ask":
            told = {"up_ms": message.json["up_ms"], "now_ms": time.time_ns() // 1_000_000}
            self.broker.say(topics.to_node(SITE, NODE, "time"), told, qos=0)
        elif message.kind == "record":
            self._book(message.json)
        elif message.kind == "birth" and self.answers:
            self.say_receipt(message.json["journal"])

    def _book(self, told: dict[str, Any]) -> None:
        have = self.stored.setdefault(told["journal"], [])
        head = have[-1] if have else 0
        if told["after"] <= head:
            for record in told["records"]:
                if record["seq"] > head:
                    have.append(record["seq"])
                else:
                    self.copies += 1
        if self.answers:
            self.say_receipt(told["journal"])


def settings(port: int, **changed: Any) -> str:
    """Return the settings of a node whose broker listens on a port of this machine."""
    told: dict[str, Any] = {
        "site": SITE,
        "node": NODE,
        "broker": {"host": "127.0.0.1", "port": port, "keepalive_s": 5},
        "record_s": 5,
        "rewind_s": 2,
        "wheel": {"pin": 15, "magnets": 4, "fastest_rpm": 120, "slow_mrpm": 6500, "cutin_mrpm": 6700, "cutout_mrpm": 6300},
        "i2c": {"bus": 0, "sda": 4, "scl": 5},
        "channels": {
            "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
            "charge_a": {
                "chip": "ina226", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 50_000,
            },
            "rectified_v": {"chip": "adc", "pin": 26, "full_mv": 3300, "gain_ppm": 31_303_030},
            "battery_degc": {"chip": "adc", "pin": 27, "full_mv": 3300, "gain_ppm": 10_000_000, "zero_mv": 500},
        },
    }  # fmt: skip
    return json.dumps(told | changed)
