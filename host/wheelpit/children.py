"""Child processes that end with their parent, even when the parent is killed."""

from __future__ import annotations

import ctypes
import signal
import sys
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

_PR_SET_PDEATHSIG: Final = 1


def _ask_linux() -> None:
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def tied_to_parent() -> Callable[[], None] | None:
    """Return what `subprocess.Popen` takes as `preexec_fn` so that the child gets SIGTERM when its parent dies.

    None where the system has no such word (macOS): there the parent's own clean end must do. Start such a child
    from the main thread, which lives as long as the parent does.
    """
    return _ask_linux if sys.platform == "linux" else None
