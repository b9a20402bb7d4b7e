"""The shipped node and the shipped host with a faulty world between them.

On the node's side the real journal, window, encoder and link; on the host's side the real ledger, bookkeeper and writer;
between them a broker that loses, doubles and forgets on command. Each record has an energy of its own, so that what
the ledger holds is checked record by record, not by a sum in which a loss and a double could cancel.
"""

from __future__ import annotations

import shutil
from importlib import import_module
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final

from wheelpit.contract import topics
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.ingest.inbox import Connected, Event, Incoming
from wheelpit.ingest.writer import Writer, host_status
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import FILE, Ledger
from wheelpit.store.live import LiveStore
from wheelpit.store.packing import unpack_record
from wheelpit.store.tables import Layouts

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from wheelpit.ingest.mqtt import Outgoing

clock_module: Any = import_module("node.clock")
delivery: Any = import_module("node.delivery")
encode: Any = import_module("node.encode")
journal_module: Any = import_module("node.journal")
link_module: Any = import_module("node.link")
network_module: Any = import_module("node.network")
resolve_module: Any = import_module("node.resolve")
log_module: Any = import_module("node.log")
packets: Any = import_module("node.packets")
names: Any = import_module("node.names")
records: Any = import_module("node.records")

SITE: Final = "sallow-ghyll"
NODE: Final = "wheel"
RECORD_MS: Final = 10_000
MIDNIGHT_MS: Final = 1_780_268_400_000  # 2026-05-31 23:00 UTC, midnight in Europe/London
PATIENCE_MS: Final = 30_000
HELD: Final = 12  # records in the journal: small, so that short histories reach its end
LAYOUT: Final = names.layout_of(["battery_v", "charge_a"])
delivery.WINDOW = 4  # half of what a node uses, so that short histories fill it as well
RECORD_BYTES: Final = journal_module.RamJournal(LAYOUT, bytes).record_bytes
ENERGY: Final = LAYOUT.totals.index("charge_mwh")


class Node:
    """One boot of a node: its journal lives in memory, so a restart loses it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.boot_ms = world.now_ms
        world.boots += 1
        self.clock = clock_module.Clock(lambda: (world.now_ms - self.boot_ms) & clock_module.TICKS_MASK)
        self.journal = journal_module.RamJournal(
            LAYOUT, lambda count: world.boots.to_bytes(count, "big"), room=HELD * RECORD_BYTES
        )
        self.messages = link_module.Messages(SITE, NODE, self.journal.id, self.journal.boot)
        # A message holds two or three records, so that few records fill the window.
        self.messages.record = packets.Message(
            topics.from_node(SITE, NODE, "record"), qos=1, retain=False, size=900
        )
        encoder = encode.RecordEncoder(LAYOUT, self.journal.id, self.messages.record)
        self.delivery = delivery.Delivery(self.journal, encoder, self.clock, PATIENCE_MS)
        self.log = log_module.Log(self.clock.up_ms, say=lambda _text: None)
        settings = SimpleNamespace(
            wifi_ssid=None,
            wifi_password=None,
            broker_host="",
            broker_port=0,
            site=SITE,
            node=NODE,
            broker_user=None,
            broker_password=None,
            keepalive_s=30,
            tls=None,
        )
        board = SimpleNamespace(open_connection=None)
        self.resolver = resolve_module.Resolver()
        self.network = network_module.Network(board, settings, self.clock, self.log, self.resolver)
        self.link = link_module.Link(
            board,
            settings,
            self.clock,
            self.log,
            self.delivery,
            network=self.network,
            messages=self.messages,
            live=self.live,
            birth=self.birth,
        )
        self.connected = False
        self.inbox: list[tuple[str, bytes, bool]] = []
        self.n = 0
        self.energy = 0

    def live(self) -> Any:
        snapshot = records.Snapshot(LAYOUT)
        snapshot.up_ms = self.clock.up_ms()
        snapshot.at_ms = self.clock.unix_ms(snapshot.up_ms)
        snapshot.clock = self.clock.quality
        return encode.LiveEncoder(LAYOUT, self.journal.id, 1, self.messages.live).fill(snapshot)

    def birth(self) -> dict[str, Any]:
        return {
            "journal": self.journal.id,
            "boot": 1,
            "chip": "aa11",
            "oldest": self.journal.oldest,
            "newest": self.journal.newest,
            "firmware": "1",
            "interpreter": "1",
            "board": "test",
            "reset": "power",
            "record_s": 10,
            "channels": {},
            "totals": LAYOUT.totals,
            "capacity": self.journal.capacity,
            "held": self.journal.held,
        }

    def sample(self) -> None:
        """Cut a record; its energy is its number and 1000 per boot, unlike that of any other."""
        self.world.now_ms += RECORD_MS
        self.n += 1
        self.energy += self.n + 1000 * self.world.boots
        up_ms = self.clock.up_ms()
        total = [0] * len(LAYOUT.totals)
        total[ENERGY] = self.energy
        total[LAYOUT.totals.index("charge_valid_ms")] = up_ms
        rec = records.Rec(
            self.n, self.n, 1, up_ms, RECORD_MS, RECORD_MS, self.clock.unix_ms(up_ms), self.clock.quality,
            "unknown", [12_500, -50], [12_400, -60], [12_600, 5], total, [None, None],
        )  # fmt: skip
        self.journal.append(rec)
        self.world.truth[self.journal.id, self.journal.newest] = self.energy

    def say(self) -> bool:
        """Let the link send its next message that matters, if it has one, and any news that come before it."""
        while True:
            message = self.link._next_message(room=True, now_ms=self.clock.up_ms())
            if message is None:
                return False
            packet = message.packet(1)
            assert packet[0] == 0x30 | message.qos << 1 | message.retain
            topic = message.topic.decode()
            self.world.broker.take(topic, message.payload(), message.qos, message.retain)
            if message.qos:
                return True

    def hear(self) -> None:
        topic, payload, retained = self.inbox.pop(0)
        self.link._take(topic.encode(), payload, retained)
        assert not self.log.entries, self.log.entries


class Broker:
    """Holds what is on its way to the host, and what is retained; forgets both when told."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.retained: dict[str, bytes] = {}
        self.queue: list[Incoming] = []  # to the host, whose session is clean: only while it is connected

    def take(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:  # noqa: FBT001 - MQTT's own flag
        if retain:
            self.retained[topic] = payload
        if self.world.host.connected:
            self.queue.append(self.incoming(topic, payload, qos, retained=False))

    @staticmethod
    def incoming(topic: str, payload: bytes, qos: int, *, retained: bool) -> Incoming:
        return Incoming(topic, payload, len(payload), qos, retained, 1, 1)

    def from_host(self, message: Outgoing) -> None:
        if message.retain:
            self.retained[message.topic] = message.payload
        node = self.world.node
        if node.connected and message.topic in node.messages.subscribe:
            node.inbox.append((message.topic, message.payload, False))


class Host:
    """The real ledger, bookkeeper and writer; a crash loses everything but the ledger's file."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.path = world.folder / FILE
        self.running = False
        self.connected = False
        self.backup: Path | None = None
        self.before_last: Path = self.path
        self.silent = False
        self.start()

    def start(self) -> None:
        self.world.now_ms += 1  # no start happens in the same millisecond as another: the mark relies on it
        now_ms = self.world.unix_ms()
        self.ledger = Ledger(self.path, now_ms)
        # Here nothing but the writer's own death is played, so the disk need not be waited for.
        self.ledger.connection.execute("PRAGMA synchronous = OFF")
        mark = self.ledger.begin_start(now_ms)
        with self.ledger.transaction() as db:
            keeper = Bookkeeper(db, SITE, "Europe/London", lambda _text: None)
            keeper.flush()
        self.live = LiveStore(self.world.folder / "live.db")
        self.writer = Writer(
            ledger=self.ledger,
            keeper=keeper,
            live=self.live,
            watch=None,
            outlet=self,
            site=SITE,
            mark=mark,
            clock_ms=self.world.unix_ms,
        )
        self.will = host_status(SITE, mark, online=False)
        self.running = True
        self.connect()

    def send(self, _acks: Iterable[tuple[int, int]], messages: Iterable[Outgoing]) -> None:
        if not self.silent:
            for message in messages:
                self.world.broker.from_host(message)

    def drop(self, why: str) -> None:
        raise AssertionError(why)

    def connect(self) -> None:
        """Connect to the broker, with a clean session: retained messages come, nothing else."""
        self.connected = True
        events: list[Event] = [Connected(1)]
        broker = self.world.broker
        for topic, payload in broker.retained.items():
            if topic.rsplit("/", 1)[1] in ("birth", "status") and "/host/" not in topic:
                events.append(broker.incoming(topic, payload, 1, retained=True))
        self.handle(events)

    def disconnect(self) -> None:
        if self.connected:
            self.connected = False
            self.world.broker.queue.clear()
            self.world.broker.from_host(self.will)

    def handle(self, events: list[Event], *, dies_after: bool = False) -> None:
        self.before_last = self.copy("before-last.db")
        self.silent = dies_after
        assert self.writer.handle(events)
        self.silent = False
        if dies_after:
            self.crash()

    def crash(self) -> None:
        self.ledger.close()
        self.live.close()
        self.running = False
        self.disconnect()

    def copy(self, name: str) -> Path:
        path = self.world.folder / name
        self.ledger.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        shutil.copyfile(self.path, path)
        return path

    def put_back(self, path: Path) -> None:
        """Replace the ledger by an older state of it, as a restore or a card that lost its last writes does."""
        if self.running:
            self.crash()
        if path != self.path:
            shutil.copyfile(path, self.path)


class World:
    """Time, the three parts, and what really happened."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.now_ms = 0
        self.boots = 0
        self.truth: dict[tuple[str, int], int] = {}  # energy of a boot up to and with a record
        self.broker = Broker(self)
        self.node = Node(self)
        self.host = Host(self)

    def unix_ms(self) -> int:
        return MIDNIGHT_MS + self.now_ms

    def connect_node(self) -> None:
        node = self.node
        if node.connected:
            return
        node.connected = True
        for topic in node.messages.subscribe:
            if topic in self.broker.retained:
                node.inbox.append((topic, self.broker.retained[topic], True))
        node.link._on_up()

    def disconnect_node(self, lost: int) -> None:
        """End the node's connection; the last messages never reached the broker, nor what it had for the node."""
        node = self.node
        if node.connected:
            node.connected = False
            node.inbox.clear()
            node.delivery.on_disconnect()
            if lost:
                del self.broker.queue[-lost:]

    def restart_node(self) -> None:
        self.disconnect_node(0)
        self.node = Node(self)

    def forget_broker(self) -> None:
        """The broker restarts without anything kept."""
        self.disconnect_node(0)
        self.host.disconnect()
        self.broker.queue.clear()
        self.broker.retained.clear()
        if self.host.running:
            self.host.connect()

    def come_to_rest(self) -> None:
        """Let everything work and time pass, until the host has what the node holds."""
        if not self.host.running:
            self.host.start()
        elif not self.host.connected:
            self.host.connect()
        self.connect_node()
        self.node.sample()
        for _ in range(200):
            self.settle()
            if self.node.journal.upto == self.node.journal.newest:
                return
            self.now_ms += PATIENCE_MS
        raise AssertionError("the node still holds what the host does not have, after 200 rounds")

    def settle(self) -> None:
        """Let every message that is on its way arrive."""
        for _ in range(2000):
            moved = False
            while self.node.inbox:
                self.node.hear()
                moved = True
            while self.node.say():
                moved = True
            if self.broker.queue:
                self.host.handle([self.broker.queue.pop(0)])
                moved = True
            if not moved:
                return
        raise AssertionError("messages go round for ever")

    def check(self) -> None:
        """Compare the ledger with what happened, record by record."""
        db = self.host.ledger.connection
        layouts = Layouts(db)
        held = self.held()
        for journal_id, name, head_seq in db.execute(
            "SELECT journal_id, journal, head_seq FROM journal"
        ).fetchall():
            booked = {}
            energy = 0
            for seq, layout_id, body in db.execute(
                "SELECT seq, layout_id, body FROM record WHERE journal_id = ? ORDER BY seq", (journal_id,)
            ):
                layout = layouts.layout(layout_id)
                energy += unpack_record(layout, seq, body).totals[layout.totals.index("charge_mwh")]
                booked[seq] = energy
            # What is booked up to any record is what had flowed by its end: nothing twice, nothing left out.
            assert booked == {seq: self.truth[name, seq] for seq in booked}
            holes: set[int] = set()
            for first, last in db.execute("SELECT first, last FROM hole WHERE journal_id = ?", (journal_id,)):
                holes.update(range(first, last + 1))
            assert not holes & booked.keys(), "a gap stands over what is booked"
            if name == self.node.journal.id:
                assert held <= booked.keys(), "the node holds what is not booked"
                assert not holes & held, "a gap stands over what the node still holds"
            accounted = set(range(SEQ_PER_BOOT + 1, head_seq + 1))
            assert accounted <= booked.keys() | holes, "numbers are missing without a word"
        assert db.execute("SELECT count(*) FROM dead_letter").fetchone() == (0,)

    def held(self) -> set[int]:
        journal = self.node.journal
        found = set()
        seq = journal.next(0)
        while seq:
            found.add(seq)
            seq = journal.next(seq)
        return found
