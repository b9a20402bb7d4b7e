"""Where things are: the state folder, what runs in it, and the firmware and board that ship with the package.

One state folder holds everything a site's host keeps: `ledger.db`, `live.db`, and `running/<part>.json`, by
which commands find a running broker, twin, node, service or board. It is, in this order: the `--state` option,
the environment variable WHEELPIT_STATE, the folder of a running demo, or `site` in the user's state folder.
"""

from __future__ import annotations

import json
import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

ENVIRONMENT: Final = "WHEELPIT_STATE"
_HERE: Final = Path(__file__).resolve().parent


def user_state() -> Path:
    """Return the folder under which state folders lie by default."""
    base = os.environ.get("XDG_STATE_HOME")
    return (Path(base) if base else Path.home() / ".local" / "state") / "wheelpit"


def demo_state() -> Path:
    """Return the state folder that a demo uses unless told otherwise."""
    told = os.environ.get(ENVIRONMENT)
    return Path(told) if told else user_state() / "demo"


def state_folder(option: Path | None = None) -> Path:
    """Return the state folder that a command works on; it need not exist yet."""
    if option is not None:
        return option
    told = os.environ.get(ENVIRONMENT)
    if told:
        return Path(told)
    demo = demo_state()
    return demo if running(demo, "demo") is not None else user_state() / "site"


def bundled(name: str) -> Path:
    """Return the folder `firmware` or `dashboards`, from the installed package or from a checkout."""
    packaged = _HERE / "_bundled" / name
    return packaged if packaged.is_dir() else _HERE.parents[1] / name


def write_atomically(path: Path, text: str) -> None:
    """Replace a small file so that a reader sees the old text or the new one, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def running(state: Path, part: str) -> dict[str, Any] | None:
    """Return what a running part announced (`pid`, `port`, `url` ...), or None when it does not run."""
    try:
        told = json.loads((state / "running" / f"{part}.json").read_text(encoding="utf-8"))
    except (FileNotFoundError, json.JSONDecodeError):
        return None
    return told if isinstance(told, dict) and _alive(int(told["pid"])) else None


@contextmanager
def announce(state: Path, part: str, **facts: Any) -> Iterator[None]:
    """Say in the state folder that this process runs as `part`, with its port or address, until it ends."""
    path = state / "running" / f"{part}.json"
    write_atomically(path, json.dumps({"pid": os.getpid(), **facts}))
    try:
        yield
    finally:
        path.unlink(missing_ok=True)
