"""Ask a running twin."""

from __future__ import annotations

import json
import socket
from typing import TYPE_CHECKING, Any, Final

from wheelpit.places import running
from wheelpit.twin.server import ADDRESS
from wheelpit.twin.trouble import NoTwinError, TwinRefusedError, TwinSilentError

if TYPE_CHECKING:
    from pathlib import Path

_PATIENCE_S: Final = 10.0


def find(state: Path) -> int:
    """Return the port of the twin that runs in a state folder.

    Raises:
        NoTwinError: None does.
    """
    told = running(state, "twin")
    if told is None:
        raise NoTwinError(state)
    return int(told["port"])


def ask(port: int, do: str, **more: Any) -> dict[str, Any]:
    """Ask the twin on a port one thing, and return its answer.

    Args:
        port: The port of its door.
        do: What to do: fault, state, energy or flow.
        **more: What belongs to it.

    Raises:
        TwinRefusedError: It would not; the text is its reason.
        TwinSilentError: Nobody answers there, or not in time.
    """
    question = {"do": do, **{name: value for name, value in more.items() if value is not None}}
    try:
        with (
            socket.create_connection((ADDRESS, port), timeout=_PATIENCE_S) as link,
            link.makefile("rwb") as lines,
        ):
            lines.write(b'{"hello":"control"}\n' + json.dumps(question).encode() + b"\n")
            lines.flush()
            line = lines.readline()
    except OSError as error:
        raise TwinSilentError(port, str(error)) from error
    if not line:
        raise TwinSilentError(port, "it closed the connection")
    answer: dict[str, Any] = json.loads(line)
    if not answer["ok"]:
        raise TwinRefusedError(answer["why"])
    return answer
