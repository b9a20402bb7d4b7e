"""Asks the network's own name server for an address, and never waits longer than it said it would.

The system's look-up stops everything until it has an answer, and on some boards for ever (the watchdog then restarts
the board, which asks again). This one is a datagram, and a socket that does not wait. Packets: RFC 1035, section 4.
"""

import asyncio
import errno
import socket
import struct

from micropython import const

from node.resolve import NoAddressError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable

PORT = const(53)
PATIENCE_MS = const(1500)  # for one question; a lost datagram is common
TIMES = const(3)
_POLL_MS = const(20)
_HEADER = const(12)
_LONGEST = const(512)  # of an answer in a datagram, RFC 1035, section 2.3.4
_LONGEST_LABEL = const(63)
_LONGEST_NAME = const(253)
_ANSWER = const(0x80)
_CODE = const(0x0F)
_UNKNOWN = const(3)  # the answer's code when there is no such name
_POINTER = const(0xC0)
_FIXED = const(10)  # kind, class, time to live, length
_ADDRESS = (1, 1, 4)  # kind A, class Internet, four bytes


class DnsError(OSError):
    """Nobody said anything about a name; the text says why."""


def question(chance: bytes, name: str) -> bytes:
    """Return a question for a name's IPv4 address. chance: 2 random bytes, by which the answer is known.

    Raises DnsError for what cannot be a name.
    """
    labels = name.rstrip(".").split(".")
    if len(name) > _LONGEST_NAME or not all(0 < len(label) <= _LONGEST_LABEL for label in labels):
        raise DnsError("%r cannot be a name" % name)
    asked = b"".join([bytes((len(label),)) + label.encode() for label in labels])
    return chance + b"\x01\x00\x00\x01\x00\x00\x00\x00\x00\x00" + asked + b"\x00\x00\x01\x00\x01"


def is_answer(reply: bytes, asked: bytes) -> bool:
    """Say whether a datagram answers a question: its number, and the question itself, in letters of either case."""
    end = len(asked)
    return (
        len(reply) >= end
        and reply[:2] == asked[:2]
        and bool(reply[2] & _ANSWER)
        and reply[4:6] == asked[4:6]
        and reply[_HEADER:end].lower() == asked[_HEADER:].lower()
    )


def address(reply: bytes, asked: bytes) -> str:
    """Return the first address in an answer. Raises NoAddressError when it holds none."""
    code = reply[3] & _CODE
    if code:
        raise NoAddressError(
            "the name server knows no such name" if code == _UNKNOWN else "the name server fails"
        )
    at = len(asked)
    for _ in range(reply[6] << 8 | reply[7]):
        at = _past_name(reply, at)
        if at + _FIXED > len(reply):
            break
        kind, group, _, length = struct.unpack("!HHIH", reply[at : at + _FIXED])
        at += _FIXED
        if (kind, group, length) == _ADDRESS and at + length <= len(reply):
            return "%d.%d.%d.%d" % tuple(reply[at : at + length])
        at += length
    raise NoAddressError("the name server gives no address")


def _past_name(reply: bytes, at: int) -> int:
    while at < len(reply) and reply[at]:
        if reply[at] & _POINTER:
            return at + 2
        at += 1 + reply[at]
    return at + 1


async def ask(
    server: "Any", name: str, random_bytes: "Callable[[int], bytes]", now_ms: "Callable[[], int]"
) -> str:
    """Return the address of a name. server: what a datagram's socket takes for it. Raises OSError."""
    asked = question(random_bytes(2), name)
    line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        line.setblocking(False)  # noqa: FBT003 - the socket's own signature
        line.connect(server)  # from now on only this server's datagrams come in
        for _ in range(TIMES):
            line.send(asked)
            sent_ms = now_ms()
            while now_ms() - sent_ms <= PATIENCE_MS:
                await asyncio.sleep_ms(_POLL_MS)
                try:
                    reply = line.recv(_LONGEST)
                except OSError as error:
                    if error.args[0] not in (errno.EAGAIN, errno.ETIMEDOUT):
                        raise
                    continue
                if is_answer(reply, asked):
                    return address(reply, asked)
    finally:
        line.close()
    raise DnsError("the name server does not answer")
