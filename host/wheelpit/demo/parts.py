"""Child processes that come back when they die and end when the demo ends, whatever way it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from dataclasses import dataclass, field
from typing import IO, TYPE_CHECKING, Final

from wheelpit.children import tied_to_parent

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_PATIENCE_S: Final = 8.0  # how long a part may take to end by itself before it is killed
_FIRST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 15.0
_STEADY_S: Final = 30.0  # a part that lived this long starts again without a longer pause
BOARD_RESET: Final = 42  # exit code by which the simulated board says that it resets itself


def _how_it_ended(code: int) -> str:
    if code == BOARD_RESET:
        return "reset itself"
    if code < 0:
        return f"was ended by {signal.Signals(-code).name}"
    return f"ended with exit code {code}"


@dataclass
class Part:
    """One process of the demo: its command, its environment, its log file."""

    name: str
    command: list[str]
    log: Path
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    again_s: float = 0.0
    pause_s: float = _FIRST_PAUSE_S
    ends: int = 0

    def start(self) -> None:
        """Start the process in a session of its own, so that Ctrl-C reaches the demo alone."""
        self.log.parent.mkdir(parents=True, exist_ok=True)
        out: IO[bytes]
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                self.command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env={**os.environ, **self.environment},
                start_new_session=True,
                preexec_fn=tied_to_parent(),  # noqa: PLW1509 - the demo has no threads when it forks
            )
        self.started_s = time.monotonic()
        self.again_s = 0.0

    def tend(self, say: Callable[[str], None]) -> None:
        """Start the process again if it died, after a pause that grows while it keeps dying."""
        now = time.monotonic()
        if self.process is not None:
            code = self.process.poll()
            if code is None:
                return
            self.process = None
            self.ends += 1
            steady = now - self.started_s > _STEADY_S or code == BOARD_RESET
            self.pause_s = _FIRST_PAUSE_S if steady else min(self.pause_s * 2, _LONGEST_PAUSE_S)
            self.again_s = now + self.pause_s
            say(f"{self.name} {_how_it_ended(code)}; it starts again (log: {self.log})")
        elif now >= self.again_s:
            self.start()

    def ask_to_end(self) -> None:
        """Send SIGTERM to the process, if it runs."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()

    def end(self) -> None:
        """Wait for the process to end; kill its session when it does not."""
        if self.process is None:
            return
        try:
            self.process.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        self.process = None

    def tail(self, lines: int = 12) -> str:
        """Return the last lines of the log, for an error a person reads."""
        try:
            text = self.log.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return ""
        return "\n".join(text.splitlines()[-lines:])
