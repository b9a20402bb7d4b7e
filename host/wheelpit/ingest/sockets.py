"""What a connection's socket can do that MQTT does not ask for."""

from __future__ import annotations

import socket
import ssl
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

_CORK: Final[int | None] = getattr(socket, "TCP_CORK", None)


def no_delay(sock: Any) -> None:
    """Send small packets at once: receipts would wait for the delayed acknowledgement of the other side."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def waits(sock: Any) -> bool:
    """Say whether an encrypted connection has decrypted more than was read, which the system does not know of."""
    return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0


@contextmanager
def gathered(sock: Any) -> Iterator[None]:
    """Let what is sent meanwhile go out together: one packet of the network for a batch, where the system can."""
    if _CORK is None:
        yield
        return
    sock.setsockopt(socket.IPPROTO_TCP, _CORK, 1)
    try:
        yield
    finally:
        if sock.fileno() >= 0:  # sending may have found the connection broken and closed it
            sock.setsockopt(socket.IPPROTO_TCP, _CORK, 0)
