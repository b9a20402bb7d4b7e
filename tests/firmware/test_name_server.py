"""Name servers that answer, lie, or stay silent; and names that are looked up without anything standing still."""

from __future__ import annotations

import asyncio
import struct
from importlib import import_module
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from interpreters import BOTH, running
from test_time_servers import Server

if TYPE_CHECKING:
    from collections.abc import Callable

dns: Any = import_module("node.dns")
resolve: Any = import_module("node.resolve")
CHANCE = b"\x12\x34"


def reply(asked: bytes, *answers: bytes, code: int = 0, flags: int = 0x81) -> bytes:
    """Return an answer to a question: RFC 1035, section 4.1.1."""
    return (
        asked[:2]
        + bytes((flags, 0x80 | code, 0, 1))
        + struct.pack("!HHH", len(answers), 0, 0)
        + asked[12:]
        + b"".join(answers)
    )


def answer(content: bytes, *, kind: int = 1, name: bytes = b"\xc0\x0c") -> bytes:
    """Return one resource record: RFC 1035, section 4.1.3; the name as a pointer to the question, section 4.1.4."""
    return name + struct.pack("!HHIH", kind, 1, 3600, len(content)) + content


def test_a_question_has_the_bytes_of_the_standard() -> None:
    """Source: RFC 1035, section 4.1.1 (header: RD set, one question) and the figure of section 4.1.4 (F.ISI.ARPA)."""
    asked = dns.question(CHANCE, "F.ISI.ARPA")
    assert asked[:12] == bytes.fromhex("1234 0100 0001 0000 0000 0000")
    assert asked[12:] == b"\x01F\x03ISI\x04ARPA\x00" + b"\x00\x01\x00\x01"


@pytest.mark.parametrize("name", ["", "a..b", "x" * 64, ".".join(["x" * 60] * 5)])
def test_what_cannot_be_a_name_is_not_asked_for(name: str) -> None:
    with pytest.raises(OSError, match="cannot be a name"):
        dns.question(CHANCE, name)


def test_the_first_address_is_taken_also_behind_an_alias() -> None:
    """Source: RFC 1034, section 6.2.1: SRI-NIC.ARPA has the addresses 26.0.0.73 and 10.0.0.51."""
    asked = dns.question(CHANCE, "SRI-NIC.ARPA")
    both = [answer(bytes((26, 0, 0, 73))), answer(bytes((10, 0, 0, 51)))]
    told = reply(asked, *both)
    assert dns.is_answer(told, asked)
    assert dns.address(told, asked) == "26.0.0.73"
    alias = answer(b"\x03nic\xc0\x14", kind=5)
    behind = answer(bytes((26, 0, 0, 73)), name=b"\x03nic\xc0\x14")
    assert dns.address(reply(asked, alias, behind), asked) == "26.0.0.73"


def test_an_answer_to_another_question_is_none() -> None:
    asked = dns.question(CHANCE, "broker.home")
    good = reply(asked, answer(bytes(4)))
    assert dns.is_answer(reply(dns.question(CHANCE, "Broker.HOME")), asked)
    for other in (b"", good[:20], b"\x00" + good[1:], asked, reply(dns.question(CHANCE, "broken.home"))):
        assert not dns.is_answer(other, asked)


@pytest.mark.parametrize(
    ("answers", "code", "why"),
    [
        ([], 0, "gives no address"),
        ([], 3, "knows no such name"),
        ([], 2, "fails"),
        ([answer(bytes(16), kind=28)], 0, "gives no address"),
        ([answer(b"\x0a\0\0\1")[:-1]], 0, "gives no address"),
        ([b"\xc0"], 0, "gives no address"),
        ([b"\x3f"], 0, "gives no address"),
    ],
)
def test_an_answer_without_an_address_says_so(answers: list[bytes], code: int, why: str) -> None:
    asked = dns.question(CHANCE, "broker.home")
    with pytest.raises(OSError, match=why):
        dns.address(reply(asked, *answers, code=code), asked)


class NameServer(Server):
    """Its scripts get the whole question."""

    def datagram_received(self, data: bytes, addr: Any) -> None:
        script = self.scripts[min(self.asked, len(self.scripts) - 1)]
        self.asked += 1
        told = script(data)
        if told is not None:
            self.line.sendto(told, addr)


def ask(interpreter: str, *scripts: Callable[[bytes], bytes | None]) -> tuple[Any, int]:
    """Return what the node found, and how often it asked."""

    async def run() -> tuple[Any, int]:
        async with (
            NameServer(*scripts) as server,
            running(interpreter, "name_probe.py", str(server.port)) as node,
        ):
            return await node.finished(), server.asked

    return asyncio.run(run())


def good(asked: bytes) -> bytes:
    return reply(asked, answer(b"\x0a\0\0\2"))


def forged(asked: bytes) -> bytes:
    return reply(bytes((asked[0] ^ 1,)) + asked[1:], answer(b"\x0a\0\0\3"))


@BOTH
def test_f13_a_silent_name_server_stops_nothing_and_is_left(interpreter: str) -> None:
    found, asked = ask(interpreter, lambda _: None)
    assert (found["found"], asked) == ("OSError: the name server does not answer", dns.TIMES)
    assert found["rounds"] >= 3


@BOTH
def test_f13_a_lost_or_forged_answer_is_asked_for_again(interpreter: str) -> None:
    found, asked = ask(interpreter, lambda _: None, forged, good)
    assert (found["found"], asked) == ("10.0.0.2", 3)


def test_f13_the_networks_name_server_goes_before_a_look_up_that_can_hang(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looked_up: list[str] = []
    served: list[tuple[Any, str]] = []
    told: list[str | None] = ["192.168.1.1"]

    def getaddrinfo(name: str, port: int, *_: int) -> list[Any]:
        looked_up.append(name)
        return [(2, 2, 17, "", (name if resolve.is_address(name) else "10.0.0.9", port))]

    async def ask_server(where: Any, name: str, *_: Any) -> str:
        served.append((where, name))
        if len(served) > 1:
            raise dns.DnsError("the name server does not answer")
        return "10.0.0.2"

    monkeypatch.setattr(dns, "ask", ask_server)
    board = SimpleNamespace(wlan=SimpleNamespace(nameserver=lambda: told[0]), random_bytes=bytes)
    found = resolve.Resolver(None, getaddrinfo, board=board, now_ms=lambda: 0)

    def address(name: str) -> str:
        told_of: str = asyncio.run(found.address(name))
        return told_of

    assert [address("broker.home"), address("broker.home")] == ["10.0.0.2"] * 2
    assert served == [(("192.168.1.1", 53), "broker.home")]
    # The old address is better than none when it is time to ask again and nobody answers.
    for _ in range(resolve.STALE_AFTER):
        found.failed("broker.home")
    assert address("broker.home") == "10.0.0.2"
    assert len(served) == 2
    with pytest.raises(OSError, match="does not answer"):
        address("other.home")
    assert set(looked_up) == {"192.168.1.1"}
    # Only the system finds these.
    assert address("broker.local") == "10.0.0.9"
    told[0] = None
    assert address("third.home") == "10.0.0.9"
