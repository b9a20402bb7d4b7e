"""The firmware on CPython: its folders on the path, and the names that MicroPython adds."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
_FIRMWARE = _HERE.parents[1] / "firmware"

for folder in (_HERE, _FIRMWARE, _FIRMWARE / "sim" / "cpython"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

importlib.import_module("shims").install()
