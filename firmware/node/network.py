"""Watches over the Wi-Fi: joins it, joins it anew when nobody answers on it, and at last has the board restarted.

That the interface says it is connected proves little; that somebody answered does, be it only the name server.
"""

import asyncio
import errno
import gc

from micropython import const

from node.resolve import NoAddressError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable

    from hal import Board

    from node.clock import Clock
    from node.log import Log
    from node.resolve import Resolver
    from node.settings import Settings

PATIENCE_MS = const(30_000)
_SLICE_MS = const(250)
_JOIN_AGAIN = const(6)  # connections in a row on which nobody answered
# A driver that got stuck is freed only by a restart. One costs a few seconds of measurement.
RESTART_MS = const(1_800_000)
SELDOM_MS = const(3_600_000)
# Whoever refuses or closes is there.
_ANSWERS = (errno.ECONNREFUSED, errno.ECONNRESET)


class LinkError(Exception):
    """The way to the broker is not there; the text says what is missing."""


class Network:
    """The way out of the board, for one boot. restart: restarts the board, with everything kept that can be.

    nameless: whether the name server said, when last asked for the broker, that it has no address for it. Neither
    joining anew nor a restart helps then.
    """

    def __init__(
        self,
        board: "Board",
        settings: "Settings",
        clock: "Clock",
        log: "Log",
        resolver: "Resolver",
        *,
        restart: "Callable[[], None] | None" = None,
    ) -> None:
        self._board = board
        self._clock = clock
        self._log = log
        self._resolver = resolver
        resolver.on_answer = self._heard
        self.nameless = False
        self._restart = restart
        self._ssid = settings.wifi_ssid
        self._password = settings.wifi_password
        self._broker = settings.broker_host
        self._tls = settings.tls
        self._answered_ms = 0
        self._silences = 0

    async def wait(self, beat: "Callable[[], None]") -> None:
        """Wait for the Wi-Fi, having asked for it. Raises LinkError when it does not come."""
        wlan = self._board.wlan
        if wlan.connected() and wlan.address() and self._silences < _JOIN_AGAIN:
            return
        self._silences = 0
        if self._ssid is not None:
            wlan.connect(self._ssid, self._password)
        began_ms = self._clock.up_ms()
        while not (wlan.connected() and wlan.address()):
            if self._clock.up_ms() - began_ms > PATIENCE_MS:
                raise LinkError("no Wi-Fi" if self._ssid is None else "no Wi-Fi from %s" % self._ssid)
            beat()
            await asyncio.sleep_ms(_SLICE_MS)

    async def open(self, host: str, port: int) -> "Any":
        """Open a connection to the broker. Raises OSError; without a network nothing is looked up, that can hang."""
        if not self._board.wlan.address():
            raise OSError(errno.ENOTCONN)
        address = await self._resolver.address(host)
        if self._tls is None:
            return await self._board.open_connection(address, port)
        gc.collect()  # encryption wants its buffers in one piece
        return await self._board.open_connection(
            address, port, self._tls.context, self._tls.server_name or host
        )

    def answered(self) -> None:
        """Take note that the broker answered."""
        self._heard()
        self.nameless = False
        self._resolver.worked(self._broker)

    def _heard(self) -> None:
        """Take note that somebody answered: the way out of the board works."""
        self._answered_ms = self._clock.up_ms()
        self._silences = 0

    def failed(self, error: Exception) -> None:
        """Take note that a connection failed, and restart the board when nobody has answered for too long."""
        if isinstance(error, OSError) and error.args and error.args[0] in _ANSWERS:
            self.answered()
            return
        if isinstance(error, NoAddressError):
            if not self.nameless:
                self.nameless = True
                self._log.fault("%s for broker.host, %s; nothing is sent meanwhile" % (error, self._broker))
            return
        self.nameless = False
        self._silences += 1
        self._resolver.failed(self._broker)
        up_ms = self._clock.up_ms()
        if self._ssid is None or self._restart is None or up_ms < SELDOM_MS:
            return
        if up_ms - self._answered_ms >= RESTART_MS:
            self._log.fault(
                "restarting: nobody has answered on the network for %d min" % (RESTART_MS // 60_000)
            )
            self._restart()
