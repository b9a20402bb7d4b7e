"""Addresses of names: looked up rarely, never for an address, and an address that worked is better than none.

Where the network tells its name server, that one is asked, under a deadline (`node.dns`). The system's look-up, which can
hang for as long as it likes, is left for names that only it can find: those ending in .local, and for networks without a
name server. Then the watchdog ends a look-up that hangs, and what was measured lies in the journal.
"""

import socket

from micropython import const

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Callable

    from hal import Board

_PARTS = const(4)
_BYTE_MOST = const(255)
STALE_AFTER = const(3)  # failures with an address, after which it is looked up again


class NoAddressError(OSError):
    """The network's name server answered, and has no address for a name: the network works, the name does not."""


def is_address(name: str) -> bool:
    """Say whether a name is an IPv4 address: four numbers with points between."""
    parts = name.split(".")
    if len(parts) != _PARTS:
        return False
    for part in parts:
        if not part or not all("0" <= sign <= "9" for sign in part):
            return False
        if len(part) > len(str(_BYTE_MOST)) or int(part) > _BYTE_MOST:
            return False
    return True


def _dotted(where: "Any") -> str:
    if isinstance(where, tuple):
        return str(where[0])
    # MicroPython on Linux gives the system's own structure: family, port, then the address in four bytes.
    return "%d.%d.%d.%d" % tuple(where[4:8])


class Resolver:
    """Keeps the address of each name, and looks it up again when it has failed a few times.

    Whoever asks must have made sure that there is a network. feed: called just before the system's look-up, which may
    take longer than anything else here. board, now_ms: for asking the network's name server, where the board knows it.
    """

    def __init__(
        self,
        feed: "Callable[[], None] | None" = None,
        getaddrinfo: "Callable[..., Any]" = socket.getaddrinfo,
        *,
        board: "Board | None" = None,
        now_ms: "Callable[[], int] | None" = None,
    ) -> None:
        self._feed = feed
        self._getaddrinfo = getaddrinfo
        self._board = board
        self._now_ms = now_ms
        self.on_answer: Callable[[], None] | None = None  # called when the name server said yes or no
        self._known: dict[str, str] = {}
        self._failed: dict[str, int] = {}

    async def address(self, name: str) -> str:
        """Return the address of a name. Raises OSError when nobody knows it."""
        if is_address(name):
            return name
        known = self._known.get(name)
        if known is not None and self._failed[name] < STALE_AFTER:
            return known
        try:
            found = await self._look_up(name)
        except OSError:
            if known is None:
                raise
            found = known
        self._known[name] = found
        self._failed[name] = 0
        return found

    async def _look_up(self, name: str) -> str:
        # The board on Linux leaves names to its system; only a radio of its own knows a name server.
        of_board = getattr(self._board.wlan, "nameserver", None) if self._board is not None else None
        server = of_board() if of_board is not None else None
        if server is None or self._board is None or self._now_ms is None or name.endswith(".local"):
            if self._feed is not None:
                self._feed()
            return _dotted(self._getaddrinfo(name, 0, socket.AF_INET, socket.SOCK_STREAM)[0][-1])
        from node import dns  # noqa: PLC0415 - no memory for it where the broker is given by its address

        try:
            found = await dns.ask(self.where(server, dns.PORT), name, self._board.random_bytes, self._now_ms)
        except NoAddressError:
            self._answered()
            raise
        self._answered()
        return found

    def _answered(self) -> None:
        if self.on_answer is not None:
            self.on_answer()

    def where(self, address: str, port: int) -> "Any":
        """Return what a datagram's socket takes for an address and a port."""
        return self._getaddrinfo(address, port, socket.AF_INET, socket.SOCK_DGRAM)[0][-1]

    def failed(self, name: str) -> None:
        """Take note that nobody answered there: after a few times the name may mean another address."""
        if name in self._known:
            self._failed[name] += 1

    def worked(self, name: str) -> None:
        """Take note that somebody answered there."""
        if name in self._known:
            self._failed[name] = 0
