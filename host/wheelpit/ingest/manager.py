"""Tells the service manager how the service is: that it is ready, that it lives, that it is ending.

The protocol is a datagram to the socket that the manager names in `NOTIFY_SOCKET`; without one, nothing is told.
Source: the manual pages sd_notify(3) and sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

_USEC_PER_S: Final = 1_000_000
_ABSTRACT: Final = "@"  # stands for the null byte before the name of a socket that is no file


class Manager:
    """The service manager, or nobody.

    Args:
        environment: where the manager left its words; the process's own.
        process: this process's number: a watchdog meant for another process is not fed.

    """

    def __init__(self, environment: Mapping[str, str] = os.environ, process: int | None = None) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._every_s: float | None = None
        self._fed_s = float("-inf")
        meant_for = environment.get("WATCHDOG_PID", "")
        mine = not meant_for or meant_for == str(os.getpid() if process is None else process)
        usec = environment.get("WATCHDOG_USEC", "")
        if self._address and mine and usec.isdigit() and int(usec) > 0:
            self._every_s = (
                int(usec) / _USEC_PER_S / 2
            )  # half of the limit, as sd_watchdog_enabled(3) advises

    def ready(self, status: str) -> None:
        """Say that the service listens; `status` is one line for a person."""
        self._tell(f"READY=1\nSTATUS={status}")

    def alive(self, now_s: float | None = None) -> None:
        """Feed the manager's watchdog, when it has one and half of its time has passed."""
        if self._every_s is None:
            return
        now_s = time.monotonic() if now_s is None else now_s
        if now_s - self._fed_s >= self._every_s:
            self._fed_s = now_s
            self._tell("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the end has begun and is not a fault."""
        self._tell("STOPPING=1\nSTATUS=handling what came, then ending")

    def _tell(self, words: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith(_ABSTRACT) else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as to:
            to.settimeout(1.0)
            try:
                to.sendto(words.encode(), address)
            except OSError:
                # A manager that does not listen any more will find out by itself; the books come first.
                return
