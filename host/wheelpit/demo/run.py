"""Assemble the demo, tend it while it runs, and end every part of it."""

from __future__ import annotations

import json
import shutil
import signal
import sys
import time
import urllib.error
import urllib.request
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from wheelpit.demo.broker import free_ports, start_broker
from wheelpit.demo.interpreter import interpreter
from wheelpit.demo.parts import Part
from wheelpit.demo.past import give_past
from wheelpit.errors import WheelpitError
from wheelpit.places import announce, running, write_atomically
from wheelpit.plant import demo_plant_path, load_plant, node_settings
from wheelpit.store.ledger import FILE as LEDGER_FILE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from types import FrameType

NODE: Final = "wheel"
_UP_S: Final = 60.0  # how long the whole demo may take to come up before it gives up and says why


class DemoError(WheelpitError):
    """The demo could not start or a check of it failed."""

    exit_code = 1


class Demo:
    """The running demo: its parts, by name, and the addresses they announced."""

    def __init__(self, state: Path, say: Callable[[str], None]) -> None:
        self.state = state
        self.say = say
        self.parts: list[Part] = []
        self.url: str | None = None

    def add(self, name: str, command: list[str], environment: dict[str, str] | None = None) -> Part:
        """Start a part and tend it from now on."""
        part = Part(name, command, self.state / "log" / f"{name}.log", environment or {})
        part.start()
        self.parts.append(part)
        return part

    def tend(self) -> None:
        """Start again whatever died."""
        for part in self.parts:
            part.tend(self.say)

    def wait_for(self, part: Part) -> dict[str, object]:
        """Return what a part announces once it is up; raise `DemoError` with its last words if it is not in time."""
        deadline = time.monotonic() + _UP_S
        while time.monotonic() < deadline:
            told = running(self.state, part.name)
            if told is not None and part.process is not None and told["pid"] == part.process.pid:
                return told
            if part.process is not None and part.process.poll() is not None:
                break
            time.sleep(0.05)
        text = f"the demo's {part.name} did not start; the end of its log {part.log}:\n{part.tail()}"
        raise DemoError(text)

    def end(self) -> None:
        """End every part, the last started first, each with time to finish what it holds."""
        for part in reversed(self.parts):
            part.ask_to_end()
            part.end()


def _wheelpit(*words: str) -> list[str]:
    return [sys.executable, "-m", "wheelpit", *words]


def _place_files(state: Path, node_port: int) -> tuple[Path, Path]:
    """Put the plant file and the node's settings into the state folder; return both places."""
    plant_file = state / "plant.toml"
    state.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(demo_plant_path(), plant_file)
    node_folder = state / "node"
    settings = node_settings(load_plant(plant_file), NODE, "127.0.0.1", node_port)
    write_atomically(node_folder / "settings.json", json.dumps(settings, indent=1))
    return plant_file, node_folder


def wait_for_page(url: str, timeout_s: float) -> None:
    """Return once the board answers; raise `DemoError` when it does not in time."""
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2) as answer:  # noqa: S310 - our own http URL
                if answer.status == 200:  # noqa: PLR2004 - HTTP's own word
                    return
        except (urllib.error.URLError, ConnectionError, TimeoutError) as error:
            if time.monotonic() > deadline:
                msg = f"the board at {url} does not answer: {error}"
                raise DemoError(msg) from error
        time.sleep(0.2)


@contextmanager
def demo(
    state: Path, say: Callable[[str], None], *, board_port: int = 0, board: bool = True, past_days: int = 0
) -> Iterator[Demo]:
    """Run the whole demo in `state` for the length of the `with` block; end every process after it.

    A new ledger begins with `past_days` of simulated days before today, so that there are days to look at.

    Raises `DemoError` when a demo runs there already or a part does not start.
    """
    already = running(state, "demo")
    if already is not None:
        msg = f"a demo runs already in {state} (process {already['pid']}): end it, or set WHEELPIT_STATE to another folder"
        raise DemoError(msg)
    with ExitStack() as stack:
        node_port, host_port = free_ports(2)
        plant_file, node_folder = _place_files(state, node_port)
        if past_days and not (state / LEDGER_FILE).exists():
            say(f"Giving the new ledger a past of {past_days} simulated days ...")
            give_past(state / LEDGER_FILE, load_plant(plant_file), past_days, datetime.now(UTC).date())
        broker = start_broker(state, node_port, host_port)
        stack.callback(broker.stop)
        stack.enter_context(announce(state, "broker", port=node_port, host_port=host_port))
        it = Demo(state, say)
        stack.callback(it.end)
        place = ("--state", str(state), "--plant", str(plant_file))

        twin = it.add("twin", _wheelpit("twin", *place))
        serve = it.add("serve", _wheelpit("serve", *place, "--broker-port", str(host_port)))
        page = it.add("board", _wheelpit("board", *place, "--port", str(board_port))) if board else None
        twin_port = it.wait_for(twin)["port"]
        it.wait_for(serve)

        runs = interpreter()
        if runs.notice is not None:
            say(runs.notice)
        environment = {"WHEELPIT_TWIN_PORT": str(twin_port), "WHEELPIT_NODE_DIR": str(node_folder)}
        it.add("node", runs.command, {**runs.environment, **environment})

        if page is not None:
            it.url = str(it.wait_for(page)["url"])
            wait_for_page(it.url, _UP_S)
        stack.enter_context(announce(state, "demo", url=it.url))
        yield it


@contextmanager
def until_told() -> Iterator[Callable[[], bool]]:
    """Give a function that says whether Ctrl-C or SIGTERM has come; restore the handlers afterwards."""
    told = False

    def take(_signal: int, _frame: FrameType | None) -> None:
        nonlocal told
        told = True

    kept = {which: signal.signal(which, take) for which in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: told
    finally:
        for which, handler in kept.items():
            signal.signal(which, handler)
