"""Writes the firmware's lists for MicroPython's own tools: `package.json` for mip, `manifest*.py` for freezing.

They are made from the files that are there: `python -m wheelpit.node.packages` after one was added or removed.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from wheelpit import __version__
from wheelpit.node.boards import BOARDS
from wheelpit.node.bundle import MAIN, PACKAGE
from wheelpit.places import bundled, write_atomically

if TYPE_CHECKING:
    from pathlib import Path

_HEAD = '''"""{what}"""

# ruff: noqa: F821 - MicroPython's build gives these names

'''


def lists_of(firmware: Path) -> dict[str, str]:
    """Return the text of each list by its path below the firmware's folder."""
    node = [f"{PACKAGE}/{file.name}" for file in sorted((firmware / PACKAGE).glob("*.py"))]
    lists = {
        "package.json": _package([MAIN, *node]),
        "manifest.py": _HEAD.format(
            what="Freezes what every board runs; the board's own manifest includes this."
        )
        + f'package("{PACKAGE}")\nmodule("{MAIN}")\n',
    }
    for port in sorted({board.port for board in BOARDS.values()}):
        modules = [file.name for file in sorted((firmware / "boards" / port).glob("*.py"))]
        # The Pico W's own manifest brings the network libraries; the ESP32's is the port's.
        below = "$(BOARD_DIR)/manifest.py" if port == "rp2" else "$(PORT_DIR)/boards/manifest.py"
        lists[f"boards/{port}/package.json"] = _package(modules)
        lists[f"manifest_{port}.py"] = (
            _HEAD.format(
                what=f"Freezes the whole node into MicroPython for {port}: FROZEN_MANIFEST=this file."
            )
            + f'include("{below}")\ninclude("manifest.py")\n'
            + "".join(f'module("{name}", base_path="boards/{port}")\n' for name in modules)
        )
    return lists


def _package(files: list[str]) -> str:
    """Return a package.json whose addresses are relative to it."""
    return (
        json.dumps({"version": __version__, "urls": [[name, name] for name in files], "deps": []}, indent=2)
        + "\n"
    )


def main() -> None:
    """Write every list."""
    firmware = bundled("firmware")
    for path, text in lists_of(firmware).items():
        write_atomically(firmware / path, text)
        (firmware / path).chmod(0o644)


if __name__ == "__main__":
    main()
