"""The node's MQTT client against a broker that misbehaves, on CPython and on MicroPython.

Packets follow MQTT 3.1.1 (OASIS Standard, 29 October 2014); the faults are those that clients of this kind have in
the field: see the name of each test.
"""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from interpreters import both, running
from scripted_broker import ScriptedBroker

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

SECRET = "løvsøm"  # noqa: S105 - it protects nothing


def run(script: Callable[[ScriptedBroker], Awaitable[None]], **told: Any) -> list[Any]:
    """Run the probe on both interpreters, each with a broker that `script` leads; return the probes' reports."""

    async def play(interpreter: str) -> Any:
        async with ScriptedBroker() as broker:
            words = json.dumps(told | {"port": broker.port})
            async with running(interpreter, "client_probe.py", words) as probe:
                await script(broker)
                broker.say("probe/stop", b"", retain=True)
                return await probe.finished()

    return asyncio.run(both(play))


def numbers(broker: ScriptedBroker, connection: int | None = None) -> list[int]:
    return [int(m.payload) for m in broker.of("number") if connection is None or m.connection == connection]


def test_connects_with_clean_session_will_user_and_password() -> None:
    seen: list[ScriptedBroker] = []

    async def script(broker: ScriptedBroker) -> None:
        seen.append(broker)
        await broker.until(lambda: len(broker.of("number")) == 5)

    for report in run(script, count=5, user="wheel", password=SECRET, keepalive_s=17):
        assert report["errors"] == []
    for broker in seen:
        (connection,) = broker.connections
        assert connection.flags == 0x80 | 0x40 | 0x20 | 0x08 | 0x04 | 0x02  # MQTT 3.1.1, 3.1.2.3
        assert connection.keepalive_s == 17
        assert connection.client_id == "probe"
        assert (connection.user, connection.password) == ("wheel", SECRET)
        assert connection.will == ("probe/will", b"gone", True)
        assert connection.subscriptions == ["probe/stop"]
        assert numbers(broker) == [0, 1, 2, 3, 4]
        assert {(m.qos, m.retain, m.duplicate) for m in broker.of("number")} == {(1, False, False)}


def test_f01_a_broker_that_never_acknowledges_is_left_and_nothing_stalls() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.silent = {"PUBACK"}
        await broker.until(lambda: len(broker.connections) >= 3 and len(broker.of("number")) > 12)
        assert all(len(numbers(broker, c.number)) <= 6 for c in broker.connections)

    for report in run(script, answer_ms=500):
        assert {text for _, text, _ in report["errors"]} == {"the broker does not acknowledge a message"}
        assert all(ticks >= 5 for _, _, ticks in report["errors"])  # other tasks ran while it waited


def test_f02_packet_ids_go_round_after_65535_past_those_in_flight() -> None:
    async def play(interpreter: str) -> Any:
        async with running(interpreter, "many_probe.py") as probe:
            return await probe.finished(60)

    # MQTT-2.3.1-1: an id is 16 bits and never 0; MQTT-2.3.1-2: it is not one that is in use.
    for report in asyncio.run(both(play)):
        assert report == {"count": 70_000, "again": 0, "least": 1, "most": 65535}


def test_f03_recovers_from_a_connection_cut_at_any_byte_and_subscribes_again() -> None:
    cuts = [("CONNACK", n) for n in range(4)]
    cuts += [("SUBACK", n) for n in range(5)]
    cuts += [("PUBACK", n) for n in range(4)]

    async def script(broker: ScriptedBroker) -> None:
        broker.manners.cuts = list(cuts)
        await broker.until(lambda: not broker.manners.cuts, timeout_s=30)
        await broker.until(lambda: len(broker.connections) == len(cuts) + 1)
        await broker.until(lambda: broker.connections[-1].subscriptions == ["probe/stop"])
        done = len(broker.published)
        await broker.until(lambda: len(broker.published) > done + 10)

    for report in run(script):
        assert len(report["errors"]) == len(cuts)
        assert {kind for kind, _, _ in report["errors"]} <= {"EOFError", "OSError"}


def test_f03_recovers_from_a_ping_that_is_answered_by_half() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.cuts = [("PINGRESP", 0), ("PINGRESP", 1)]
        await broker.until(lambda: len(broker.connections) == 3)
        await broker.until(lambda: broker.connections[-1].pings > 0)

    assert [len(report["errors"]) for report in run(script, count=0, keepalive_s=1)] == [2, 2]


def test_f04_slow_acknowledgements_bound_what_is_in_flight_and_memory() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.late_s = {"PUBACK": 0.005}
        await broker.until(lambda: len(broker.published) == 1200, timeout_s=60)
        assert 1 < broker.most_waiting <= 4

    for report in run(script, count=1200, window=4):
        before, after = report["memory"]
        assert after - before <= 512  # of the thousand messages between them nothing is kept


def test_a_message_at_qos_0_passes_a_full_window() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.silent = {"PUBACK"}
        await broker.until(lambda: bool(broker.of("live")))
        assert len(broker.of("number")) == 2

    run(script, window=2, live=True)


def test_f16_a_silent_peer_is_noticed_by_a_ping() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.silent = {"PINGRESP"}
        await broker.until(lambda: len(broker.connections) == 2)
        assert broker.connections[0].pings == 1

    for report in run(script, count=3, keepalive_s=1, answer_ms=300):
        assert report["errors"][0][1] == "the broker does not answer a ping"


def test_f10_pings_keep_a_quiet_connection_open() -> None:
    async def script(broker: ScriptedBroker) -> None:
        await broker.until(lambda: bool(broker.connections) and broker.connections[0].pings >= 4)

    assert [report["errors"] for report in run(script, count=0, keepalive_s=1)] == [[], []]


def test_f08_a_peer_that_accepts_and_stays_silent_is_left() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.silent = {"CONNACK"}
        await broker.until(lambda: len(broker.connections) == 2)
        broker.manners.silent = set()
        await broker.until(lambda: bool(broker.published))

    for report in run(script, answer_ms=300):
        assert report["errors"][0][1].startswith("no answer from the broker at 127.0.0.1:")


def test_f16_a_peer_that_stops_reading_is_left() -> None:
    async def script(broker: ScriptedBroker) -> None:
        await broker.until(lambda: bool(broker.published))
        broker.deafen()
        await broker.until(lambda: len(broker.connections) == 2)
        await broker.until(lambda: any(m.connection == 1 for m in broker.published))

    for report in run(script, answer_ms=400, size=4096, window=1000):
        assert report["errors"][0][0] == "MqttError"


def test_a_session_that_the_broker_kept_does_not_stop_the_client() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.session_present = True
        await broker.until(lambda: len(broker.published) == 3)

    assert [report["errors"] for report in run(script, count=3)] == [[], []]


def test_a_refused_connection_says_what_to_change() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.refuse = 4
        await broker.until(lambda: len(broker.connections) == 2)
        broker.manners.refuse = 0
        await broker.until(lambda: bool(broker.published))

    refusal = "the broker refuses the connection: broker_user or broker_password in secrets.json is wrong"
    for report in run(script):
        assert report["errors"][0][1] == refusal


def test_a_refused_subscription_names_the_topic() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.manners.granted = 0x80
        await broker.until(lambda: len(broker.connections) == 2)
        broker.manners.granted = 0
        await broker.until(lambda: bool(broker.published))

    for report in run(script):
        assert report["errors"][0][1] == "the broker refuses the subscription to probe/stop"


def test_messages_arrive_with_their_retain_flag_and_are_acknowledged() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.retained["probe/in"] = b"kept"
        await broker.until(lambda: bool(broker.published))
        broker.say("probe/in", b"new", qos=1)
        broker.say("probe/in", b"quick", qos=0)
        await broker.until(lambda: len(broker.acknowledged) == 2)
        assert broker.acknowledged == [1, 2]

    expected = [["probe/in", "kept", True], ["probe/in", "new", False], ["probe/in", "quick", False]]
    for report in run(script, subscribe=["probe/stop", "probe/in"]):
        assert report["heard"] == expected


def test_a_message_too_long_for_memory_is_passed_over_and_acknowledged() -> None:
    async def script(broker: ScriptedBroker) -> None:
        broker.retained["probe/in"] = b"x" * 300_000  # larger than the whole heap
        await broker.until(lambda: broker.acknowledged == [1])
        broker.say("probe/in", b"after")
        await broker.until(lambda: broker.acknowledged == [1, 2])

    for report in run(script, subscribe=["probe/stop", "probe/in"]):
        assert report["heard"] == [["probe/in", "after", False]]
        assert report["oversize"] == 1
        assert report["errors"] == []


def test_f05_waits_for_a_broker_that_is_not_there_yet(free_port: Callable[[], int]) -> None:
    async def play(interpreter: str) -> Any:
        port = free_port()
        told = json.dumps({"port": port, "count": 3})
        async with running(interpreter, "client_probe.py", told) as probe:
            assert await probe.line() == "failed"
            async with ScriptedBroker(port) as broker:
                await broker.until(lambda: len(broker.published) == 3)
                broker.say("probe/stop", b"", retain=True)
                return await probe.finished()

    for report in asyncio.run(both(play)):
        assert {kind for kind, _, _ in report["errors"]} == {"OSError"}
