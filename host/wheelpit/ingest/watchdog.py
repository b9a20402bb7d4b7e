"""Ends the process when a loop of it fell silent, so that the service manager starts it again.

A service that hangs looks alive from outside; the nodes would keep their records and nobody would be warned.
"""

from __future__ import annotations

import faulthandler
import logging
import os
import threading
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

EXIT_CODE: Final = 70
_LOOK_S: Final = 5.0

_log = logging.getLogger(__name__)


class Watchdog(threading.Thread):
    """Looks after loops.

    Args:
        beats: per loop, a function that returns when it last went round (`time.monotonic`).
        limit_s: how long a loop may be silent. A commit on a failing card may take minutes.
        end: what ends the process.
        look_s: how often it looks.

    """

    def __init__(
        self,
        beats: Mapping[str, Callable[[], float]],
        limit_s: float,
        end: Callable[[int], object] = os._exit,
        look_s: float = _LOOK_S,
    ) -> None:
        super().__init__(name="watchdog", daemon=True)
        self._beats = beats
        self._limit_s = limit_s
        self._end = end
        self._look_s = look_s
        self._stopped = threading.Event()

    def run(self) -> None:
        """Look until `stop`, or until a loop is silent."""
        while not self._stopped.wait(self._look_s):
            for name, beat in self._beats.items():
                silent_s = time.monotonic() - beat()
                if silent_s > self._limit_s:
                    _log.critical(
                        "the %s has been silent for %.0f s; ending, to be started again", name, silent_s
                    )
                    faulthandler.dump_traceback(all_threads=True)
                    self._end(EXIT_CODE)
                    return

    def stop(self) -> None:
        """Stop looking."""
        self._stopped.set()
