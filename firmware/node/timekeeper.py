"""Asks time servers, beside the host: for a node whose host is away for days and which has lost its power meanwhile.

The host's word goes before: the books are kept by its clock. What a server says is taken while there is no clock, and
to keep one that came from a server; where it differs from the host's by seconds, that is told and nothing is changed.
"""

import asyncio
import errno
import socket

from micropython import const

from node import sntp
from node.clock import ROUND_TRIP_MAX_MS

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from hal import Board

    from node.clock import Clock
    from node.log import Log
    from node.netsettings import TimeSettings
    from node.resolve import Resolver

_POLL_MS = const(20)
_SLICE_MS = const(500)
SOON_MS = const(16_000)  # while there is no clock (RFC 4330, section 10: not below 15 s)
APART_MS = const(5_000)  # more than this between two clocks is told
_AGREE_MS = const(1_000)


class Server:
    """One server. not_before_ms: until when it is not asked again."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.not_before_ms = 0
        self.every_ms = 0
        self.gone = False  # it asked never to be asked again, this boot


class Timekeeper:
    """Asks one server after the other until one gives a good answer."""

    def __init__(
        self, board: "Board", told: "TimeSettings", clock: "Clock", log: "Log", resolver: "Resolver"
    ) -> None:
        self._board = board
        self._clock = clock
        self._log = log
        self._resolver = resolver
        self._port = told.port
        self._every_ms = told.every_s * 1000
        self.servers = [Server(name) for name in told.servers]
        for server in self.servers:
            server.every_ms = self._every_ms
        self._candidate_ms: int | None = None  # an anchor that a second answer must agree with
        self._told_apart = False

    async def run(self, beat: "Callable[[], None]") -> None:
        """Ask for ever."""
        while True:
            beat()
            if self._board.wlan.connected() and self._board.wlan.address():
                await self.turn(beat)
            await self._rest(SOON_MS if self._wants() else self._every_ms, beat)

    def _wants(self) -> bool:
        return self._clock.anchor_ms is None or self._candidate_ms is not None

    async def _rest(self, left_ms: int, beat: "Callable[[], None]") -> None:
        while left_ms > 0:
            beat()
            await asyncio.sleep_ms(min(left_ms, _SLICE_MS))
            left_ms -= _SLICE_MS

    async def turn(self, beat: "Callable[[], None]") -> None:
        """Ask the servers in their order until one has given a good answer."""
        for server in self.servers:
            now_ms = self._clock.up_ms()
            if server.gone or now_ms < server.not_before_ms:
                continue
            server.not_before_ms = now_ms + (SOON_MS if self._wants() else server.every_ms) - _SLICE_MS
            try:
                await self.ask(server.name, beat)
            except sntp.KissError as error:
                self._log.note("time server %s: %s" % (server.name, error))
                server.gone = not error.later
                server.every_ms *= 2
                server.not_before_ms = now_ms + server.every_ms
            except sntp.SntpError as error:
                self._log.note("time server %s: %s" % (server.name, error))
            except OSError as error:
                self._resolver.failed(server.name)
                self._log.note(
                    "time server %s: %s" % (server.name, errno.errorcode.get(error.args[0]) or error)
                )
            else:
                return

    async def ask(self, name: str, beat: "Callable[[], None]") -> None:
        """Ask one server and take its answer. Raises SntpError or OSError."""
        chance = self._board.random_bytes(8)
        line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            line.setblocking(False)  # noqa: FBT003 - the socket's own signature
            where = self._resolver.where(await self._resolver.address(name), self._port)
            asked_ms = self._clock.up_ms()
            line.sendto(sntp.request(chance), where)
            reply = b""
            while not reply:
                beat()
                await asyncio.sleep_ms(_POLL_MS)
                if self._clock.up_ms() - asked_ms > ROUND_TRIP_MAX_MS:
                    raise sntp.SntpError("no answer")
                try:
                    reply, _ = line.recvfrom(sntp.LENGTH + 20)
                except OSError as error:
                    if error.args[0] not in (errno.EAGAIN, errno.ETIMEDOUT):
                        raise
        finally:
            line.close()
        heard_ms = self._clock.up_ms()
        self.take(sntp.unix_ms(reply, chance), asked_ms, heard_ms)

    def take(self, now_ms: int, asked_ms: int, heard_ms: int) -> None:
        """Take the time of a good answer, if it is needed and can be believed."""
        clock = self._clock
        anchor_ms = now_ms - (asked_ms + heard_ms) // 2
        apart_ms = 0 if clock.anchor_ms is None else anchor_ms - clock.anchor_ms
        if abs(apart_ms) <= APART_MS:
            self._candidate_ms = None
            self._told_apart = False
            if clock.quality != "host":
                clock.offer(now_ms, asked_ms, heard_ms, "ntp")
        elif clock.quality == "host":
            if not self._told_apart:
                self._told_apart = True
                self._log.fault(
                    "a time server and the host are %d s apart; the host's clock counts" % (apart_ms // 1000)
                )
        elif self._candidate_ms is not None and abs(anchor_ms - self._candidate_ms) <= _AGREE_MS:
            self._candidate_ms = None
            clock.offer(now_ms, asked_ms, heard_ms, "ntp")
        else:
            self._candidate_ms = anchor_ms  # a step so large takes a second answer that agrees
