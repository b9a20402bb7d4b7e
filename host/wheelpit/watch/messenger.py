"""Starts and tends the messenger process for the service, which itself never loads what it sends with."""

from __future__ import annotations

import logging
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Final

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from pathlib import Path

_log = logging.getLogger(__name__)

_PROGRAM: Final = (sys.executable, "-m", "wheelpit.watch.notify")
_CHECK_S: Final = 60
_END_S: Final = 10
_RESTART_S: Final = 30.0


class MessengerError(WheelpitError):
    """The targets file cannot be used, or the messenger cannot be started."""


class MessengerProcess:
    """The messenger as a child process that ends with this one, however this one ends.

    Args:
        state: The site's state folder.
        targets: The targets file.
    """

    def __init__(self, state: Path, targets: Path) -> None:
        self._arguments = ("--state", str(state), "--targets", str(targets))
        self._child: subprocess.Popen[bytes] | None = None
        self._started_s = 0.0

    @property
    def pid(self) -> int | None:
        """The child's process id while it runs."""
        return self._child.pid if self._child is not None and self._child.poll() is None else None

    def start(self) -> None:
        """Check the targets file, then start the child.

        Raises:
            MessengerError: The file is wrong; the text names each line.
        """
        done = subprocess.run(
            [*_PROGRAM, *self._arguments, "--check"],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=_CHECK_S,
            check=False,
        )
        if done.returncode != 0:
            told = [line.removeprefix("wheelpit: ") for line in done.stderr.splitlines()]
            raise MessengerError("\n".join(told) or f"the messenger ended with code {done.returncode}")
        self._launch()

    def tend(self) -> None:
        """Start the child again if it died; call this now and then."""
        if self._child is None or self._child.poll() is None:
            return
        if time.monotonic() - self._started_s >= _RESTART_S:
            _log.warning("the messenger ended with code %d; it is started again", self._child.returncode)
            self._close()
            self._launch()

    def stop(self) -> None:
        """End the child; what it has not sent stays owed."""
        if self._child is None:
            return
        if self._child.poll() is None:
            self._child.terminate()
            try:
                self._child.wait(_END_S)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
        self._close()
        self._child = None

    def _launch(self) -> None:
        self._child = subprocess.Popen([*_PROGRAM, *self._arguments, "--tied"], stdin=subprocess.PIPE)
        self._started_s = time.monotonic()

    def _close(self) -> None:
        if self._child is not None and self._child.stdin is not None:
            self._child.stdin.close()
