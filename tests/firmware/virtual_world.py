"""The shipped node on MicroPython and the shipped host, in a time that this world owns; between them a scripted broker.

The node runs until everything in it sleeps, then says how far it would sleep and what it has sent; the world moves
the time to the next moment at which anything happens. So a day takes minutes, and every run of a seed is the same.
"""

from __future__ import annotations

import asyncio
import heapq
import json
import os
import socket
import struct
import subprocess
from typing import TYPE_CHECKING, Any, Final

from compiled import NODE, SEARCH, compile_modules
from interpreters import ON_BOARD
from scripted_broker import _Conversation
from virtual_ends import Broker, HostSurroundings, VirtualHost, Wire

from wheelpit.demo.interpreter import micropython

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scripted_broker import Published

BEGIN_MS: Final = 1_790_035_200_000 + 480_000  # a midnight of UTC, and the first calm time after it
LAG_MS: Final = 20  # one way through the network; even, so that the node's clock is right to the millisecond
NETWORK, BUS, FULL, HANGS = 1, 2, 4, 8  # as in virtual_board
PICO_BLOCKS: Final = 212
_SCRIPTS: Final = ("ram_flash", "virtual_time", "virtual_board")
_PLANT: Final = ON_BOARD.parent / "virtual_plant.py"
SETTINGS: Final[dict[str, Any]] = {
    "site": "sallow-ghyll",
    "node": "wheel",
    "broker": {"host": "10.0.0.1", "port": 1883, "keepalive_s": 30},
    "wheel": {"pin": 15, "magnets": 4, "fastest_rpm": 120, "slow_mrpm": 6500, "cutin_mrpm": 6700, "cutout_mrpm": 6300},
    "i2c": {"bus": 0, "sda": 4, "scl": 5},
    "channels": {
        "battery_v": {"chip": "ina226", "address": 64, "reads": "bus"},
        "charge_a": {"chip": "ina226", "address": 64, "reads": "current", "shunt_uohm": 1500, "range_ma": 50_000},
        "rectified_v": {"chip": "adc", "pin": 26, "full_mv": 3300, "gain_ppm": 31_303_030},
    },
}  # fmt: skip


class VirtualWorld:
    """Time, and what happens in it. boots: when the node was switched on; hours: what its hourly probes said.

    `at(ms, act)` has something happen. Subclasses see every message of the node in `heard`.
    """

    def __init__(
        self,
        folder: Path,
        seed: int,
        *,
        heap: str,
        blocks: int = PICO_BLOCKS,
        stalls_ms: tuple[int, ...] = (0,),
    ) -> None:
        self.folder = folder
        self.seed = seed
        self.heap = heap
        self.now_ms = BEGIN_MS
        self.state = NETWORK | BUS
        self.boots: list[int] = []
        self.hours: list[dict[str, Any]] = []
        self.restarts = 0
        self.drops = 0  # messages of records that will get lost on their way to the host
        self.modules: list[str] = []  # that the node loads before it begins
        self._blocks = blocks
        self._stalls_ms = stalls_ms
        self._heap: list[tuple[int, int, Callable[[], None]]] = []
        self._events = 0
        self._reached = False
        self._news = b""
        self._conversation: _Conversation | None = None
        self._node: subprocess.Popen[bytes] | None = None
        self._line: socket.socket | None = None
        self._board = folder / "board"
        self._image = folder / "flash"
        self._image.write_bytes(b"\xff" * 4096 * blocks)
        self._told = (folder / "console").open("wb")
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(30)
        self.code_bytes = sum(compile_modules(self._board, NODE.glob("*.py")).values())
        compile_modules(self._board, [_PLANT, *(ON_BOARD / f"{name}.py" for name in _SCRIPTS)])
        (self._board / "virtual_node.py").write_bytes((ON_BOARD / "virtual_node.py").read_bytes())
        self.broker = Broker(self)
        surroundings: Any = HostSurroundings(self)
        self.host = VirtualHost(surroundings)

    @property
    def powered(self) -> bool:
        """Whether the node has power."""
        return self._node is not None

    def console(self) -> str:
        """Return what the node has printed so far."""
        return (self.folder / "console").read_text(errors="replace")

    def close(self) -> None:
        """End everything."""
        self.power_off()
        self._server.close()
        self._told.close()
        if self.host.running:
            self.host.crash()

    def heard(self, message: Published) -> None:
        """See a message of the node on its way to the host."""

    def probed(self, told: dict[str, Any]) -> None:
        """Take what the node says about itself every hour."""
        self.hours.append(told)

    # What happens ---------------------------------------------------------------------------------------------

    def at(self, ms: int, act: Callable[[], None]) -> None:
        """Have something happen at a moment, or now if that is over."""
        self._events += 1
        heapq.heappush(self._heap, (ms, self._events, act))

    def after(self, ms: int, act: Callable[[], None]) -> None:
        """Have something happen in a while."""
        self.at(self.now_ms + ms, act)

    def power_on(self) -> None:
        """Switch the node on."""
        found = micropython()
        assert found is not None
        port = str(self._server.getsockname()[1])
        self._node = subprocess.Popen(
            [found, "-X", f"heapsize={self.heap}", "virtual_node.py", port],
            cwd=self._board,
            env={**os.environ, "MICROPYPATH": SEARCH},
            stdin=subprocess.DEVNULL,
            stdout=self._told,
            stderr=subprocess.STDOUT,
        )
        self._line, _ = self._server.accept()
        self._line.settimeout(60)
        self._line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.boots.append(self.now_ms)
        told = {
            "now_ms": self.now_ms,
            "seed": self.seed,
            "chance": 1000 * self.seed + len(self.boots),
            "chip": "7a11c0de",
            "image": str(self._image),
            "blocks": self._blocks,
            "stalls_ms": self._stalls_ms,
            "settings": SETTINGS,
            "modules": self.modules,
        }
        data = json.dumps(told).encode()
        self._line.sendall(struct.pack("<I", len(data)) + data)

    def power_off(self) -> None:
        """Switch the node off."""
        self._hang_up()
        if self._line is not None:
            self._line.close()
            self._line = None
        if self._node is not None:
            self._node.kill()
            self._node.wait()
            self._node = None
        self._news = b""

    def cut_flash(self, operations: int) -> None:
        """Have power fail after so many more operations on the flash."""
        self._tell("k", struct.pack("<I", operations))

    def kill_broker(self) -> None:
        """End the broker, which forgets everything."""
        self.broker.running = False
        self.host.disconnect()
        self._hang_up()
        self.broker.retained.clear()

    def start_broker(self) -> None:
        """Start it again."""
        self.broker.running = True
        if self.host.running:
            self.host.connect()

    # The node's line ------------------------------------------------------------------------------------------

    def run(self, until_ms: int) -> None:
        """Let time pass until a moment."""

        async def live() -> None:  # the broker asks for the time of a running loop
            self._run()

        self._reached = False
        self.at(until_ms, self._reach)
        asyncio.run(live())

    def _reach(self) -> None:
        self._reached = True

    def _run(self) -> None:
        while not self._reached:
            if self._line is None:
                self._next_event()
                continue
            now_ms, target_ms, length = struct.unpack("<QQI", self._receive(20))
            self.now_ms = max(self.now_ms, now_ms)
            self._take(self._receive(length))
            state = self.state
            while self._line is not None and not self._reached:
                if not self._heap or self._heap[0][0] > target_ms:
                    self.now_ms = max(self.now_ms, target_ms)
                    break
                self._next_event()
                if self._news or self.state != state:
                    break
            if self._line is not None:
                # A turn that ended because the time asked for is over is answered all the same: the node sleeps on.
                horizon_ms = self._heap[0][0] - 1 if self._heap else self.now_ms
                self._line.sendall(
                    struct.pack("<QQBI", self.now_ms, horizon_ms, self.state, len(self._news)) + self._news
                )
                self._news = b""

    def _next_event(self) -> None:
        ms, _, act = heapq.heappop(self._heap)
        self.now_ms = max(self.now_ms, ms)
        act()

    def _receive(self, count: int) -> bytes:
        assert self._line is not None
        data = b""
        while len(data) < count:
            part = self._line.recv(count - len(data))
            if not part:
                msg = f"the node ended at {self.now_ms}:\n{self.console()[-3000:]}"
                raise AssertionError(msg)
            data += part
        return data

    def _take(self, news: bytes) -> None:
        at = 0
        while at < len(news):
            kind, length = struct.unpack_from("<BI", news, at)
            at += 5
            data = news[at : at + length]
            at += length
            self._take_one(chr(kind), data)

    def _take_one(self, kind: str, data: bytes) -> None:
        if kind == "w":
            conversation = self._conversation
            self.after(LAG_MS, lambda: self._arrive(conversation, data))
        elif kind == "o":
            self._hang_up()
            self.after(LAG_MS, self._open)
        elif kind == "c":
            self._hang_up()
        elif kind == "p":
            self.probed(json.loads(data))
        elif kind == "r":
            self.restarts += 1
            self.restarted()
        else:
            self.power_failed()

    def restarted(self) -> None:
        """Start the node again, which has asked for it or was bitten by its watchdog."""
        self.power_off()
        self.at(self.now_ms + 100 - self.now_ms % 100, self.power_on)

    def power_failed(self) -> None:
        """Power was cut in the middle of an operation on the flash."""
        self.power_off()

    def to_node(self, kind: str, data: bytes) -> None:
        """Have something arrive at the node's end of its connection."""
        conversation = self._conversation

        def arrive() -> None:
            if conversation is self._conversation or kind == "x":
                self._tell(kind, data)

        self.after(LAG_MS, arrive)

    def hung_up(self, wire: Wire) -> None:
        """Take note that the broker has closed a connection."""
        conversation = self._conversation
        if conversation is not None and conversation._connection.transport is wire:
            self._conversation = None
            conversation.connection_lost(None)

    def network(self, *, there: bool) -> None:
        """Have the Wi-Fi come or go."""
        self.state = self.state | NETWORK if there else self.state & ~NETWORK
        if not there:
            self._hang_up()

    def _tell(self, kind: str, data: bytes) -> None:
        if self._line is not None:
            self._news += struct.pack("<BI", ord(kind), len(data)) + data

    def _open(self) -> None:
        if not (self.broker.running and self.state & NETWORK and self._line is not None):
            self._tell("x", b"")
            return
        self._conversation = _Conversation(self.broker)
        self._conversation.connection_made(Wire(self))
        self._tell("a", b"")

    def _arrive(self, conversation: _Conversation | None, data: bytes) -> None:
        if conversation is not None and conversation is self._conversation:
            conversation.data_received(data)

    def _hang_up(self) -> None:
        conversation = self._conversation
        if conversation is not None:
            self._conversation = None
            wire: Any = conversation._connection.transport
            if not wire.closing:
                wire.closing = True
                self._tell("x", b"")
            conversation.connection_lost(None)
