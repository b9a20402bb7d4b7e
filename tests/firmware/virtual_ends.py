"""What the node of a virtual world talks to: a scripted broker, and behind it the shipped host."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from delivery_world import Host
from scripted_broker import Connection, Published, ScriptedBroker

from wheelpit.ingest.inbox import Incoming

if TYPE_CHECKING:
    from virtual_world import VirtualWorld

    from wheelpit.ingest.inbox import Event
    from wheelpit.ingest.mqtt import Outgoing


class Wire(asyncio.Transport):
    """The broker's end of the node's connection."""

    def __init__(self, world: VirtualWorld) -> None:
        super().__init__()
        self.world = world
        self.closing = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.world.to_node("d", bytes(data))

    def is_closing(self) -> bool:
        return self.closing

    def abort(self) -> None:
        if not self.closing:
            self.closing = True
            self.world.to_node("x", b"")
            self.world.hung_up(self)

    close = abort


class Broker(ScriptedBroker):
    """The scripted broker, which the world's host uses too; it forgets what it was told, to stay small."""

    def __init__(self, world: VirtualWorld) -> None:
        super().__init__()
        self.world = world
        self.running = True
        self.queue: list[Incoming] = []  # of the host's own world; here nothing waits
        self.on_publish = self.publish

    def publish(self, message: Published) -> None:
        self.published.clear()
        self.world.heard(message)
        if message.kind == "record" and self.world.drops:
            self.world.drops -= 1
            return
        self.to_host(message.topic, message.payload, message.qos)

    def to_host(self, topic: str, payload: bytes, qos: int) -> None:
        host = self.world.host
        if host.running and host.connected:
            host.handle([self.incoming(topic, payload, qos, retained=False)])

    def closed(self, connection: Connection) -> None:
        will = connection.will
        super().closed(connection)
        if will is not None and self.running:
            self.to_host(will[0], will[1], 1)

    @staticmethod
    def incoming(topic: str, payload: bytes, qos: int, *, retained: bool) -> Incoming:
        return Incoming(topic, payload, len(payload), qos, retained, 1, 1)

    def from_host(self, message: Outgoing) -> None:
        if self.running:
            self.say(message.topic, message.payload, retain=message.retain, qos=message.qos)


class VirtualHost(Host):
    """The shipped host; a crash loses everything but the ledger's file."""

    def handle(self, events: list[Event], *, dies_after: bool = False) -> None:
        assert not dies_after
        assert self.writer.handle(events)


class HostSurroundings:
    """What the host sees of the world."""

    def __init__(self, world: VirtualWorld) -> None:
        self.folder = world.folder
        self.broker = world.broker
        self.now_ms = 0
        self.unix_ms = lambda: world.now_ms
