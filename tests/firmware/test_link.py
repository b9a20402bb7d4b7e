"""What the link says and in which order, what it believes, and how it comes back."""

from __future__ import annotations

import asyncio
import json
from importlib import import_module
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from delivery_world import NODE, SITE, World

from wheelpit.contract import topics

if TYPE_CHECKING:
    from pathlib import Path

link_module: Any = import_module("node.link")
mqtt: Any = import_module("node.mqtt")
resolve_module: Any = import_module("node.resolve")

TIME = topics.to_node(SITE, NODE, "time")
RECEIPT = topics.to_node(SITE, NODE, "receipt")
HOST = topics.host_status(SITE)
NOW_MS = 1_780_000_000_000


@pytest.fixture
def node(tmp_path: Path) -> Any:
    world = World(tmp_path)
    world.host.crash()
    world.broker.retained.clear()
    return world.node


def said(node: Any, *, room: bool = True) -> str:
    """Return the kind of the next message, and empty when there is none."""
    message = node.link._next_message(room=room, now_ms=node.clock.up_ms())
    return "" if message is None else message.topic.decode().rsplit("/", 1)[1]


def everything(node: Any) -> list[str]:
    return list(iter(lambda: said(node), ""))


def hear(node: Any, topic: str, told: Any, *, retained: bool = False) -> None:
    payload = told if isinstance(told, bytes) else json.dumps(told).encode()
    node.link._take(topic.encode(), payload, retained)


def online(node: Any, state: str = "online") -> None:
    hear(node, HOST, {"state": state, "ledger": "a" * 16, "start": 1}, retained=True)


def test_after_connecting_it_says_online_its_birth_and_then_the_rest(node: Any) -> None:
    node.sample()
    node.link._on_up()
    online(node)
    assert everything(node) == ["status", "birth", "time-ask", "live", "record"]
    node.link._on_up()
    online(node)
    assert everything(node)[:2] == ["status", "birth"]


def test_only_news_go_while_the_window_is_full(node: Any) -> None:
    node.sample()
    node.link._on_up()
    online(node)
    assert [said(node, room=False) for _ in range(3)] == ["time-ask", "live", ""]
    assert everything(node) == ["status", "birth", "record"]


def test_live_values_go_once_a_second_and_what_was_not_sent_is_not_made_up_for(node: Any) -> None:
    node.link._on_up()
    assert everything(node).count("live") == 1
    node.world.now_ms += 999
    assert everything(node) == []
    node.world.now_ms += 1
    assert everything(node) == ["live"]
    node.world.now_ms += 4500
    assert everything(node).count("live") == 1


def test_the_time_is_asked_for_every_five_seconds_until_known_and_then_every_ten_minutes(node: Any) -> None:
    def asked() -> bool:
        return "time-ask" in everything(node)

    node.link._on_up()
    assert asked()
    node.world.now_ms += 4_999
    assert not asked()
    node.world.now_ms += 1
    assert asked()
    hear(node, TIME, {"up_ms": node.clock.up_ms(), "now_ms": NOW_MS})
    assert node.clock.unix_ms(node.clock.up_ms()) == NOW_MS
    assert node.clock.quality == "host"
    node.world.now_ms += 599_999
    assert not asked()
    node.world.now_ms += 1
    assert asked()


def test_a_host_that_comes_is_asked_at_once(node: Any) -> None:
    node.link._on_up()
    everything(node)
    node.world.now_ms += 3_000
    online(node)
    assert "time-ask" in everything(node)


@pytest.mark.parametrize(
    ("change", "retained", "after_ms"),
    [({}, True, 10), ({"up_ms": 7}, False, 10), ({}, False, 2_001)],
    ids=["kept by the broker", "to another question", "too late"],
)
def test_f17_an_answer_that_says_too_little_about_the_time_is_not_used(
    node: Any,
    change: dict[str, int],
    retained: bool,  # noqa: FBT001 - a parameter of the test
    after_ms: int,
) -> None:
    node.link._on_up()
    everything(node)
    told = {"up_ms": node.clock.up_ms(), "now_ms": NOW_MS} | change
    node.world.now_ms += after_ms
    hear(node, TIME, told, retained=retained)
    assert node.clock.anchor_ms is None


def test_an_answer_is_used_once(node: Any) -> None:
    node.link._on_up()
    everything(node)
    told = {"up_ms": node.clock.up_ms(), "now_ms": NOW_MS}
    hear(node, TIME, told)
    hear(node, TIME, told | {"now_ms": NOW_MS + 1_000_000})
    assert node.clock.anchor_ms == NOW_MS - told["up_ms"]


@pytest.mark.parametrize(
    ("topic", "told"),
    [
        (RECEIPT, b""),
        (RECEIPT, b"\xff\xfe"),
        (RECEIPT, b"[1, 2]"),
        (RECEIPT, b"7"),
        (RECEIPT, {"ledger": "a" * 16, "start": 1, "journal": "b" * 16}),
        (RECEIPT, {"ledger": "a" * 16, "start": 1, "journal": "b" * 16, "upto": "9"}),
        (RECEIPT, {"ledger": "a" * 16, "start": 1, "journal": "b" * 16, "upto": 1.5}),
        (RECEIPT, {"ledger": "a" * 16, "start": True, "journal": "b" * 16, "upto": 1}),
        (RECEIPT, {"ledger": 5, "start": 1, "journal": "b" * 16, "upto": 1}),
        (RECEIPT, {"ledger": "a" * 16, "start": 1, "journal": "b" * 16, "upto": -1}),
        (HOST, {"ledger": "a" * 16}),
        (TIME, {"up_ms": None}),
        (TIME, b"null"),
    ],
)
def test_what_cannot_be_understood_is_noted_and_changes_nothing(node: Any, topic: str, told: Any) -> None:
    node.link._on_up()
    everything(node)
    if isinstance(told, dict) and told.get("up_ms", 0) is None:
        told = {"up_ms": node.clock.up_ms(), "now_ms": "later"}
    hear(node, topic, told)
    ((_, text),) = node.log.entries
    assert text.startswith(f"cannot use what came on {topic}: ")
    assert (node.journal.upto, node.delivery.ledger, node.clock.anchor_ms) == (0, None, None)


def test_fields_of_a_later_version_are_ignored(node: Any) -> None:
    node.link._on_up()
    node.sample()
    told = {
        "ledger": "a" * 16,
        "start": 1,
        "journal": node.journal.id,
        "upto": node.journal.newest,
        "new": [],
    }
    hear(node, RECEIPT, told)
    assert node.journal.upto == node.journal.newest


def test_a_receipt_that_the_broker_kept_answers_no_message(node: Any) -> None:
    told = {"ledger": "a" * 16, "start": 1, "journal": node.journal.id, "upto": 0}
    hear(node, RECEIPT, told)
    node.link._on_up()
    online(node)
    everything(node)
    for _ in range(6):
        node.sample()
    assert "record" in everything(node)
    for _ in range(4):
        hear(node, RECEIPT, told, retained=True)
    assert (everything(node), node.delivery.rewinds) == ([], 0)


def test_a_receipt_that_claims_too_much_is_noted(node: Any) -> None:
    node.link._on_up()
    told = {"ledger": "a" * 16, "start": 1, "journal": node.journal.id, "upto": node.journal.top + 1}
    hear(node, RECEIPT, told)
    assert "claims more than was ever recorded here" in node.log.entries[0][1]


class Failing:
    """A client whose connections last as long as told and then fail."""

    heard_ms = -1

    def __init__(self, world: World, lasting_ms: list[int], errors: list[Exception]) -> None:
        self.world, self.lasting_ms, self.errors = world, lasting_ms, errors

    async def run(self, _beat: Any) -> None:
        if not self.errors:
            raise asyncio.CancelledError
        self.world.now_ms += self.lasting_ms.pop(0)
        raise self.errors.pop(0)


def live_through(
    node: Any, monkeypatch: pytest.MonkeyPatch, lasting_ms: list[int], errors: list[Exception]
) -> list[int]:
    """Return how long the link rested after each failure."""
    rests: list[int] = [0]

    async def sleep_ms(ms: int) -> None:
        rests[-1] += ms
        node.world.now_ms += ms

    def note(text: str) -> None:
        node.log.entries.append((0, text))

    monkeypatch.setattr(asyncio, "sleep_ms", sleep_ms, raising=False)
    monkeypatch.setattr(node.log, "note", note)
    wlan = SimpleNamespace(connected=lambda: True, address=lambda: "10.0.0.2")
    board = SimpleNamespace(wlan=wlan, random_bytes=lambda count: bytes([128] * count))
    node.link._board = node.network._board = board
    disconnected = node.delivery.on_disconnect

    def on_disconnect() -> None:
        disconnected()
        rests.append(0)

    monkeypatch.setattr(node.delivery, "on_disconnect", on_disconnect)
    node.link.client = Failing(node.world, lasting_ms, errors)
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(node.link.run(lambda: None))
    return rests[1:]


def test_pauses_double_to_fifteen_seconds_and_start_again_after_a_connection_that_lasted(
    node: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    lasting_ms = [0] * 7 + [10_000, 0]
    rests = live_through(node, monkeypatch, lasting_ms, [OSError(111) for _ in lasting_ms])
    # Half of the largest random addition: 1.25 of 0.5, 1, 2 ... 15 s.
    assert rests == [625, 1250, 2500, 5000, 10_000, 15_000, 15_000, 625, 1250]


def test_pauses_grow_to_two_minutes_while_the_name_server_has_no_address_for_the_broker(
    node: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    unknown = resolve_module.NoAddressError("the name server knows no such name")
    errors = [unknown] * 10 + [OSError(111)] * 2
    rests = live_through(node, monkeypatch, [0] * 12, errors)
    # As above, then 16, 32, 64 and 120 s; a broker that refuses is there, and is asked more often again.
    assert rests[5:] == [20_000, 40_000, 80_000, 120_000, 120_000, 15_000, 15_000]
    assert any("the name server knows no such name for broker.host" in text for _, text in node.log.entries)


def test_any_failure_is_noted_and_answered_by_connecting_again(
    node: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    errors = [
        OSError(104),
        EOFError(),
        mqtt.MqttError("the broker is silent"),
        MemoryError(),
        ZeroDivisionError(),
    ]
    live_through(node, monkeypatch, [0] * 5, errors)
    texts = [text for _, text in node.log.entries]
    assert texts[:3] == [
        "link: ECONNRESET",
        "link: the broker closed the connection",
        "link: the broker is silent",
    ]
    assert [text.splitlines()[0] for text in texts[3:]] == ["link failed", "link failed"]
    assert "MemoryError" in texts[3]


class Radio:
    """A wireless network that may be missing, give no address, raise, or lie."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.there_from_ms = 0
        self.address_from_ms = 0
        self.raises_until_ms = -1
        self.asked: list[tuple[str, str | None]] = []

    def connect(self, ssid: str, password: str | None) -> None:
        self.asked.append((ssid, password))
        if self.world.now_ms < self.raises_until_ms:
            raise OSError("Wifi Internal Error")

    def connected(self) -> bool:
        return self.world.now_ms >= self.there_from_ms

    def address(self) -> str | None:
        return "10.0.0.2" if self.world.now_ms >= self.address_from_ms else None


@pytest.mark.parametrize(
    "radio",
    [
        {"there_from_ms": 45_000},
        {"address_from_ms": 45_000},
        {"there_from_ms": 45_000, "raises_until_ms": 40_000},
    ],
)
def test_f13_waits_for_the_network_and_asks_for_it_again(
    node: Any, monkeypatch: pytest.MonkeyPatch, radio: dict[str, int]
) -> None:
    wlan = Radio(node.world)
    vars(wlan).update(radio)
    beats = 0

    async def sleep_ms(ms: int) -> None:
        node.world.now_ms += ms

    def beat() -> None:
        nonlocal beats
        beats += 1

    async def connect(_beat: Any) -> None:
        assert wlan.connected()
        assert wlan.address()
        raise asyncio.CancelledError

    monkeypatch.setattr(asyncio, "sleep_ms", sleep_ms, raising=False)
    node.link._board = node.network._board = SimpleNamespace(wlan=wlan, random_bytes=bytes)
    node.network._ssid, node.network._password = "mill", "race"
    node.link.client = SimpleNamespace(run=connect, heard_ms=0)
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(node.link.run(beat))
    assert set(wlan.asked) == {("mill", "race")}
    assert len(wlan.asked) >= 2
    assert beats > 45 / link_module.LONGEST_PAUSE_MS * 1000


def test_f09_the_link_counts_as_up_only_while_the_broker_is_heard(node: Any) -> None:
    client = node.link.client
    assert not node.link.up()
    client.up, client.heard_ms = True, node.clock.up_ms()
    assert node.link.up()
    node.world.now_ms += 45_000  # one and a half times a keepalive of 30 s
    assert node.link.up()
    node.world.now_ms += 1
    assert not node.link.up()
