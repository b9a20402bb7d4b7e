"""Runs the firmware on CPython, for machines that MicroPython has no wheel for.

WHEELPIT_TWIN_PORT=... WHEELPIT_NODE_DIR=... python firmware/sim/run_cpython.py
"""

import runpy
import sys
from pathlib import Path

SIM = Path(__file__).resolve().parent
FIRMWARE = SIM.parent


def main() -> None:
    """Put the firmware on the path, teach Python what it lacks, and start it as the board would."""
    sys.path[:0] = [str(SIM / "cpython"), str(SIM), str(FIRMWARE)]
    import shims  # noqa: PLC0415 - found only now

    shims.install()
    sys.argv[0] = str(FIRMWARE / "main.py")
    runpy.run_path(sys.argv[0], run_name="__main__")


if __name__ == "__main__":
    main()
