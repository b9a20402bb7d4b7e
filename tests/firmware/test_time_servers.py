"""Time servers that are good, silent, busy, lost, forged, or of another opinion, and what the node makes of them."""

from __future__ import annotations

import asyncio
import struct
import time
from importlib import import_module
from typing import TYPE_CHECKING, Any, Self

import pytest
from interpreters import BOTH, running

if TYPE_CHECKING:
    from collections.abc import Callable

sntp: Any = import_module("node.sntp")
resolve: Any = import_module("node.resolve")
CHANCE = bytes(range(8))
UNIX_0 = 2_208_988_800  # of NTP's seconds
NOW_S = 1_795_000_000


def reply(
    chance: bytes, at_s: float = NOW_S, *, first: int = 0x24, stratum: int = 2, word: bytes = b"\x7f\0\0\1"
) -> bytes:
    """Return an answer: RFC 5905, figure 8."""
    seconds = int(at_s)
    packet = bytearray(48)
    packet[0], packet[1] = first, stratum
    packet[12:16] = word
    packet[24:32] = chance
    packet[40:48] = struct.pack("!II", (seconds + UNIX_0) % (1 << 32), int((at_s - seconds) * (1 << 32)))
    return bytes(packet)


def test_a_question_tells_nothing_of_the_asker() -> None:
    question = sntp.request(CHANCE)
    assert (len(question), question[0], question[40:48]) == (48, 0x23, CHANCE)
    assert not any(question[1:40])


def test_a_good_answer_gives_the_time_to_the_millisecond() -> None:
    assert sntp.unix_ms(reply(CHANCE, NOW_S + 0.5), CHANCE) == NOW_S * 1000 + 500
    assert sntp.unix_ms(reply(CHANCE, NOW_S + 0.99951), CHANCE) == NOW_S * 1000 + 999


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (reply(CHANCE)[:47], "47 bytes"),
        (b"", "0 bytes"),
        (reply(CHANCE, first=0x23), "mode 3"),
        (reply(bytes(8)), "another question"),
        (reply(CHANCE, first=0xE4), "no time itself"),
        (reply(CHANCE, stratum=16), "no time itself"),
        (reply(CHANCE, -UNIX_0), "without a time"),
        (reply(CHANCE, 1_600_000_000), "cannot be"),
        (reply(CHANCE, 2_500_000_000), "cannot be"),
    ],
)
def test_f17_an_answer_that_is_none_is_refused(answer: bytes, why: str) -> None:
    with pytest.raises(sntp.SntpError, match=why):
        sntp.unix_ms(answer, CHANCE)


@pytest.mark.parametrize(("word", "later"), [(b"RATE", True), (b"DENY", False), (b"RSTR", False)])
def test_f17_a_server_that_wants_no_questions_says_why(word: bytes, later: bool) -> None:  # noqa: FBT001
    with pytest.raises(sntp.KissError) as found:
        sntp.unix_ms(reply(CHANCE, stratum=0, word=word), CHANCE)
    assert (found.value.code, found.value.later) == (word.decode(), later)
    # Whoever cannot repeat the question cannot send us away either.
    with pytest.raises(sntp.SntpError, match="another question"):
        sntp.unix_ms(reply(bytes(8), stratum=0, word=word), CHANCE)


class Server(asyncio.DatagramProtocol):
    """Answers as scripted: each script gets the question's chance and returns what is sent."""

    def __init__(self, *scripts: Callable[[bytes], bytes | None]) -> None:
        self.scripts = list(scripts)
        self.asked = 0

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        self.line, _ = await loop.create_datagram_endpoint(lambda: self, local_addr=("127.0.0.1", 0))
        self.port = self.line.get_extra_info("sockname")[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.line.close()

    def datagram_received(self, data: bytes, addr: Any) -> None:
        script = self.scripts[min(self.asked, len(self.scripts) - 1)]
        self.asked += 1
        answer = script(data[40:48])
        if answer is not None:
            self.line.sendto(answer, addr)


def ask(interpreter: str, *scripts: Callable[[bytes], bytes | None], turns: int = 1, host_ms: int = 0) -> Any:
    """Return what the node reported, and what the server counted."""

    async def run() -> Any:
        async with (
            Server(*scripts) as server,
            running(interpreter, "time_probe.py", str(server.port), str(turns), str(host_ms)) as node,
        ):
            return await node.finished() | {"asked": server.asked}

    return asyncio.run(run())


def good(chance: bytes) -> bytes:
    return reply(chance, time.time())


def ahead(chance: bytes) -> bytes:
    return reply(chance, time.time() + 3600)


@BOTH
def test_f17_a_server_sets_a_clock_that_nobody_has_set(interpreter: str) -> None:
    found = ask(interpreter, good)
    ((quality, boot_ms, up_ms),) = found["seen"]
    assert quality == "ntp"
    assert abs(boot_ms + up_ms - time.time() * 1000) < 20_000
    assert found["noted"] == []


@BOTH
def test_f17_silence_costs_two_seconds_and_nothing_stands_still(interpreter: str) -> None:
    found = ask(interpreter, lambda _: None)
    assert found["seen"][0][0] == "none"
    assert "no answer" in found["noted"][0]
    assert found["beats"] > 30


@BOTH
def test_f17_a_large_step_takes_two_answers_that_agree(interpreter: str) -> None:
    found = ask(interpreter, good, ahead, good, ahead, ahead, turns=5)
    anchors = [boot_ms for _, boot_ms, _ in found["seen"]]
    assert abs(anchors[1] - anchors[0]) < 2_000
    assert abs(anchors[3] - anchors[0]) < 2_000
    assert abs(anchors[4] - anchors[0] - 3_600_000) < 2_000


def test_the_hosts_word_goes_before_and_the_difference_is_told_once() -> None:
    host_ms = int(time.time() * 1000)
    found = ask("cpython", ahead, turns=3, host_ms=host_ms)
    assert {quality for quality, _, _ in found["seen"]} == {"host"}
    assert len({boot_ms for _, boot_ms, _ in found["seen"]}) == 1
    assert len(found["noted"]) == 1
    assert "3600 s apart; the host's clock counts" in found["noted"][0] or "3599 s apart" in found["noted"][0]


def test_f17_a_server_that_refuses_is_asked_no_more() -> None:
    def deny(chance: bytes) -> bytes:
        return reply(chance, stratum=0, word=b"DENY")

    found = ask("cpython", deny, turns=4)
    assert found["gone"] is True
    assert found["asked"] == 1


def test_names_are_looked_up_once_and_again_after_three_failures() -> None:
    looked_up: list[str] = []
    fed: list[bool] = []

    def getaddrinfo(name: str, port: int, *_: int) -> list[Any]:
        looked_up.append(name)
        return [(2, 1, 6, "", (f"10.0.0.{len(looked_up)}", port))]

    found = resolve.Resolver(lambda: fed.append(True), getaddrinfo)

    def address(name: str) -> str:
        told: str = asyncio.run(found.address(name))
        return told

    assert address("192.168.1.2") == "192.168.1.2"
    assert looked_up == []
    assert [address("mill") for _ in range(3)] == ["10.0.0.1"] * 3
    assert len(fed) == 1
    found.failed("mill")
    found.failed("mill")
    found.worked("mill")
    found.failed("mill")
    assert address("mill") == "10.0.0.1"
    found.failed("mill")
    found.failed("mill")
    assert address("mill") == "10.0.0.2"


@pytest.mark.parametrize(
    ("name", "is_one"),
    [
        ("192.168.1.2", True),
        ("10.0.0.255", True),
        ("256.1.1.1", False),
        ("1.2.3", False),
        ("mill.home.local", False),
        ("1.2.3.x", False),
        ("1..2.3", False),
        ("1111.1.1.1", False),
    ],
)
def test_what_is_an_address(name: str, is_one: bool) -> None:  # noqa: FBT001
    assert resolve.is_address(name) is is_one
