"""Encrypted connections that never come about: nothing waits for them longer than it said it would."""

from __future__ import annotations

import asyncio
import datetime as dt
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import pytest
from interpreters import BOTH, running

from wheelpit.broker.authority import authority

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    Peer = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


async def silent(reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
    while await reader.read(1024):
        pass


async def half(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Begin a record of the handshake (kind 22, TLS 1.2, 64 bytes: RFC 5246, section 6.2.1) and never end it."""
    await reader.read(1024)
    writer.write(b"\x16\x03\x03\x00\x40\x02\x00")
    await silent(reader, writer)


async def plain(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Answer as a broker whose listener is not encrypted: it closes."""
    await reader.read(1024)
    writer.close()


def connect(interpreter: str, folder: Path, peer: Peer) -> Any:
    authority(folder, "mill", dt.datetime.now(dt.UTC))

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            await peer(reader, writer)
        writer.close()

    async def run() -> Any:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            async with running(interpreter, "handshake_probe.py", str(folder), str(port)) as node:
                return await node.finished()

    return asyncio.run(run())


@BOTH
@pytest.mark.parametrize("peer", [silent, half])
def test_f08_f16_a_handshake_that_does_not_end_is_left_and_nothing_stalls(
    interpreter: str, peer: Peer, tmp_path: Path
) -> None:
    found = connect(interpreter, tmp_path, peer)
    assert "no answer from the broker" in found["why"]
    assert found["beats"] > 10
    # The handshake is not waited for inside the loop: that would be as long as all of it.
    assert found["longest_ms"] < found["took_ms"] / 2


@BOTH
def test_f08_a_listener_without_encryption_ends_it_at_once(interpreter: str, tmp_path: Path) -> None:
    found = connect(interpreter, tmp_path, plain)
    assert found["why"]
    assert "no answer from the broker" not in found["why"]
