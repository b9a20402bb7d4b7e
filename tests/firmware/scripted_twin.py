"""A twin that plays a script: frames at 20 Hz for one simulated board, with a steady wheel and a plant that a test sets."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

_FRAME_US = 50_000
WIRING: dict[str, Any] = {
    "i2c": {"64": {"chip": "ina226", "bus": "battery_v", "shunt": "charge_a", "shunt_uohm": 1500}},
    "adc": {
        "26": {"channel": "rectified_v", "mv_per_unit": 3300 / 103.3, "zero_mv": 0},
        "27": {"channel": "battery_degc", "mv_per_unit": 10, "zero_mv": 500},
    },
    "edges": {"15": "wheel"},
}


class ScriptedTwin:
    """Listens on a free port of 127.0.0.1; `mean`, `rpm`, `link` and `switches` may be changed at any time."""

    def __init__(self, rpm: float = 40.0, magnets: int = 4, wiring: dict[str, Any] | None = None) -> None:
        self.mean = {"battery_v": 13.5, "charge_a": 5.4, "rectified_v": 20.8, "battery_degc": 8.0}
        self.rpm = rpm
        self.magnets = magnets
        self.wiring = wiring or WIRING
        self.link = True
        self.alternator_hz = 0.0
        self._phase = 0.0
        self.switches: dict[str, int] = {}
        self.port = 0
        self.hellos: list[Any] = []
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        for writer in set(self._writers):
            writer.transport.abort()
        await asyncio.sleep(0)

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        with contextlib.suppress(ConnectionError):
            self.hellos.append(json.loads(await reader.readline()))
            self._say(writer, {"hello": "twin", "wiring": self.wiring, "chip": "7a11c0de"})
            await self._frames(writer)
        self._writers.discard(writer)

    async def _frames(self, writer: asyncio.StreamWriter) -> None:
        began = time.monotonic()
        end_us = 0
        turned = 0.0
        while not writer.is_closing():
            end_us += _FRAME_US
            await asyncio.sleep(max(0.0, began + end_us / 1e6 - time.monotonic()))
            before = turned
            turned += self.rpm / 60 * _FRAME_US / 1e6 * self.magnets
            edges = []
            if turned > before:
                for magnet in range(int(before) + 1, int(turned) + 1):
                    share = (magnet - before) / (turned - before)
                    edges.append(round(end_us - _FRAME_US + share * _FRAME_US))
            frame = {
                "t_us": end_us,
                "edges": edges,
                "alternator_edges": self._alternator(end_us),
                "mean": self.mean,
                "link": self.link,
                "switches": self.switches,
            }
            self._say(writer, frame)
            await writer.drain()

    def _alternator(self, end_us: int) -> list[int]:
        """Return the pulses of a phase in the frame that ends now."""
        step = self.alternator_hz * _FRAME_US / 1e6
        before, self._phase = self._phase, self._phase + step
        return [
            round(end_us - _FRAME_US + (pulse - before) / step * _FRAME_US)
            for pulse in range(int(before) + 1, int(self._phase) + 1)
        ]

    @staticmethod
    def _say(writer: asyncio.StreamWriter, told: object) -> None:
        writer.write(json.dumps(told).encode() + b"\n")
