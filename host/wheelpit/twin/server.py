"""The twin's door: simulated boards are fed their plant, controllers break and ask; JSON lines over TCP.

A board says `{"hello":"board"}` (with `"node"` where the plant has several), is told what hangs on its pins, and then
gets 20 frames a second. A controller says `{"hello":"control"}` and gets one line for each thing it asks. A board
that reads too slowly is dropped, so that it neither holds up the others nor fills the memory: it may come again.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import socket
from typing import TYPE_CHECKING, Any, Final

import msgspec

from wheelpit.contract.names import PAIRS
from wheelpit.errors import WheelpitError
from wheelpit.plant.description import PhaseSensor, PickupSensor
from wheelpit.plant.wiring import node_wiring
from wheelpit.twin.trouble import TwinError

if TYPE_CHECKING:
    from wheelpit.plant import Plant
    from wheelpit.twin.live import LiveTwin
    from wheelpit.twin.machine import Frame

ADDRESS: Final = "127.0.0.1"
_LINE: Final = 8 * 1024
_HELLO_S: Final = 10.0
_LAG: Final = 256 * 1024  # unsent bytes at which a board is dropped: almost a minute of frames
_ON_ITS_WAY: Final = 64 * 1024
_DIGITS: Final = 6


class _Hello(msgspec.Struct):
    hello: str
    node: str | None = None


class _Asked(msgspec.Struct):
    do: str
    name: str | None = None
    on: bool | None = None
    severity: float = 1.0
    ramp_s: float = 0.0
    from_ms: int | None = None
    to_ms: int | None = None
    flow_l_s: float | None = None


class _Board:
    """A connected board: its node, the channels, shafts and the switch that are wired to it, the way to it."""

    def __init__(
        self,
        node: str,
        channels: tuple[str, ...],
        shafts: frozenset[str],
        parked_pin: int | None,
        writer: asyncio.StreamWriter,
    ) -> None:
        self.node = node
        self.channels = channels
        self.pairs = tuple(pair for pair, of in PAIRS.items() if set(of) <= set(channels))
        self.has_fast_shaft = "alternator" in shafts
        self.parked_pin = parked_pin
        self.writer = writer


def chip_of(plant: Plant, node: str) -> str:
    """Return the serial number of a node's simulated chip: the same at every start, 16 hex digits."""
    return hashlib.sha256(f"{plant.site.id}/{node}".encode()).hexdigest()[:16]


class TwinServer:
    """Serves one live twin.

    Args:
        live: The twin.
    """

    def __init__(self, live: LiveTwin) -> None:
        self._live = live
        self._plant = live.plant.told
        self._boards: set[_Board] = set()
        self._tasks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._server: asyncio.Server | None = None
        self.dropped = 0

    async def start(self, port: int = 0) -> int:
        """Begin to listen on 127.0.0.1 and return the port.

        Raises:
            TwinError: The port is taken.
        """
        try:
            self._server = await asyncio.start_server(self._meet, ADDRESS, port, limit=_LINE)
        except OSError as error:
            msg = f"port {port}: {error.strerror}; give another, or 0 for a free one"
            raise TwinError(msg) from error
        bound: int = self._server.sockets[0].getsockname()[1]
        return bound

    async def run(self, stop: asyncio.Event) -> None:
        """Run the plant in real time until told to stop, then close every connection."""
        try:
            while not stop.is_set():
                for frame in self._live.frames():
                    self._send(frame)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), max(self._live.wait_s(), 0.001))
        finally:
            await self.close()

    async def close(self) -> None:
        """Stop listening and end every connection."""
        if self._server is not None:
            self._server.close()
        visits = list(self._tasks.items())
        for task, writer in visits:
            task.cancel()
            writer.transport.abort()
        await asyncio.gather(*(task for task, _ in visits), return_exceptions=True)
        if self._server is not None:
            await self._server.wait_closed()

    def _send(self, frame: Frame) -> None:
        lines: dict[str, bytes] = {}
        for board in list(self._boards):
            if board.writer.transport.get_write_buffer_size() > _LAG:
                self._boards.discard(board)
                self.dropped += 1
                board.writer.transport.abort()
                continue
            line = lines.get(board.node)
            if line is None:
                line = lines[board.node] = _line(self._told(frame, board))
            board.writer.write(line)

    def _told(self, frame: Frame, board: _Board) -> dict[str, Any]:
        """Return a frame as a board is told it."""
        plant = self._live.plant
        told: dict[str, Any] = {
            "t_us": frame.t_us,
            "edges": frame.edges,
            "mean": {name: _short(frame.shown[name]) for name in board.channels},
            "watt": {pair: _short(frame.watt[pair]) for pair in board.pairs},
            "link": not plant.condition.link_down,
        }
        if board.has_fast_shaft:
            told["alternator_edges"] = frame.alternator_edges
        if board.parked_pin is not None:
            told["switches"] = {str(board.parked_pin): plant.parked}
        return told

    async def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - asyncio runs this in a task of its own
        self._tasks[task] = writer
        try:
            async with asyncio.timeout(_HELLO_S):
                first = await reader.readline()
            if first:
                await self._greet(first, reader, writer)
        except (TimeoutError, ConnectionError, ValueError):
            # A visitor that says nothing, is gone, or sends a line without end is not worth more.
            pass
        except asyncio.CancelledError:
            # Only `close` cancels this task, and it waits for it.
            pass
        finally:
            self._tasks.pop(task)
            writer.close()

    async def _greet(self, first: bytes, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            hello = msgspec.json.decode(first, type=_Hello)
        except msgspec.MsgspecError as error:
            writer.write(_refusal(f"hello: {error}"))
            return
        if hello.hello == "board":
            await self._board(hello, reader, writer)
        elif hello.hello == "control":
            while line := await reader.readline():
                writer.write(self._answer(line))
                await writer.drain()
        else:
            writer.write(_refusal(f'hello "{hello.hello}": say "board" or "control"'))

    async def _board(self, hello: _Hello, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            board = self._wire(hello.node, writer)
        except WheelpitError as error:
            writer.write(_refusal(str(error)))
            return
        # So much may be on its way beside `_LAG`; the system's own measure would hide a stopped board for minutes.
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _ON_ITS_WAY)
        self._boards.add(board)
        try:
            while await reader.read(_LINE):
                # A board has nothing to tell; reading notices that it is gone.
                pass
        finally:
            self._boards.discard(board)

    def _wire(self, node: str | None, writer: asyncio.StreamWriter) -> _Board:
        nodes = self._plant.node_ids
        if node is None:
            if len(nodes) != 1:
                msg = f'hello: say which "node" the board is: {", ".join(nodes)}'
                raise TwinError(msg)
            node = nodes[0]
        wiring = node_wiring(self._plant, node)
        channels = tuple(
            sensor.channel
            for sensor in self._plant.sensors
            if sensor.node == node and not isinstance(sensor, PickupSensor | PhaseSensor)
        )
        writer.write(_line({"hello": "twin", "wiring": wiring, "chip": chip_of(self._plant, node)}))
        shafts = frozenset(wiring["edges"].values())
        return _Board(node, channels, shafts, self._plant.node(node).parked_pin, writer)

    def _answer(self, line: bytes) -> bytes:
        try:
            return _line({"ok": True, **self._do(msgspec.json.decode(line, type=_Asked))})
        except msgspec.MsgspecError as error:
            return _refusal(f"not understood: {error}")
        except TwinError as error:
            return _refusal(str(error))

    def _do(self, asked: _Asked) -> dict[str, Any]:
        if asked.do == "state":
            return {
                **self._live.state(),
                "boards": [board.node for board in self._boards],
                "dropped": self.dropped,
            }
        if asked.do == "energy":
            return self._live.energy(asked.from_ms, asked.to_ms)
        if asked.do == "fault":
            if asked.name is None or asked.on is None:
                raise TwinError('fault: give its "name", and "on" as true or false')
            self._live.plant.put(asked.name, on=asked.on, severity=asked.severity, ramp_s=asked.ramp_s)
            return {"faults": self._live.plant.faults.present()}
        if asked.do == "flow":
            if asked.flow_l_s is None:
                raise TwinError('flow: give "flow_l_s"')
            self._live.plant.river.order(asked.flow_l_s)
            return {"flow_l_s": asked.flow_l_s}
        if asked.do == "parked":
            if asked.on is None:
                raise TwinError('parked: give "on" as true or false')
            return {"parked": self._park(on=asked.on)}
        msg = f'do "{asked.do}": not known; use fault, state, energy, flow or parked'
        raise TwinError(msg)

    def _park(self, *, on: bool) -> bool:
        if all(self._plant.node(node).parked_pin is None for node in self._plant.node_ids):
            raise TwinError(
                'parked: no node of this plant has the switch; give one a "parked_pin" in its [[node]]'
            )
        self._live.plant.parked = on
        return on


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, _DIGITS)


def _line(value: dict[str, Any]) -> bytes:
    return msgspec.json.encode(value) + b"\n"


def _refusal(why: str) -> bytes:
    return _line({"ok": False, "why": why})
