"""A model of what lies between node and ledger, and everything that befalls them; the ledger is the shipped one."""

from __future__ import annotations

import sqlite3
from collections import deque
from typing import TYPE_CHECKING, Any

from tests.store.delivery_node import WINDOW, Node, Truth

from wheelpit.contract.messages import Birth
from wheelpit.store.booking import Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger, Mark

if TYPE_CHECKING:
    from pathlib import Path

START_MS = 1_774_700_000_000  # the evening before clocks change in Europe/London: days of 24 and 23 hours
ZONE = "Europe/London"


class Host:
    """The shipped ledger and bookkeeper, with the accidents that befall a host."""

    def __init__(self, world: World, folder: Path) -> None:
        self.world = world
        self.path = folder / "ledger.db"
        self.backup: bytes | None = None
        self.commits: deque[bytes] = deque(maxlen=4)
        self.batch: list[Any] = []
        self.open()

    def open(self) -> None:
        self.world.starts += 1
        self.ledger = Ledger(self.path, self.world.now_ms)
        self.ledger.connection.execute(
            "PRAGMA synchronous = OFF"
        )  # the accidents here are ours, not the disk's
        self.mark: Mark = self.ledger.begin_start(self.world.now_ms + self.world.starts)
        with self.ledger.transaction() as db:
            self.keeper = Bookkeeper(db, "site", ZONE)
        self.greet()

    def greet(self) -> None:
        for _, journal, upto in self.keeper.receipts():
            self.world.publish(self.mark, journal, upto)
        if self.world.retained_birth is not None:
            self.world.queue.append(self.world.retained_birth)

    def commit(self, *, die: bool = False) -> None:
        """Book what was delivered; with `die` the power fails after the commit, before the receipts."""
        self.commits.append(self.ledger.connection.serialize())
        answers = []
        with self.ledger.transaction():
            for message in self.batch:
                if isinstance(message, Birth):
                    answers.append((message.journal, self.keeper.birth("wheel", message, self.world.now_ms)))
                elif isinstance(message, tuple):
                    self.keeper.live(*message)
                else:
                    taken = self.keeper.records("wheel", message, "topic", self.world.now_ms)
                    answers.append((message.journal, taken.upto))
            self.keeper.flush()
        self.batch = []
        if die:
            self.crash()
            return
        for journal, upto in answers:
            self.world.publish(self.mark, journal, upto)

    def crash(self) -> None:
        """The process is killed: what was delivered and not committed is gone (clean sessions)."""
        self.batch = []
        self.ledger.close()
        self.open()

    def put_back(self, database: bytes | None) -> None:
        """An older state of the file is put in its place; None: the file is gone."""
        self.batch = []
        self.ledger.close()
        for file in self.path.parent.glob("ledger.db*"):
            file.unlink()
        if database is not None:
            # A serialised database says that it has a write-ahead log: an empty one begins.
            self.path.write_bytes(database)
        self.open()

    def roll_back_batch(self) -> None:
        """A commit fails: nothing of it may stay, in the file or in memory."""
        try:
            with self.ledger.transaction():
                for message in self.batch:
                    if isinstance(message, Sent):
                        self.keeper.records("wheel", message, "topic", self.world.now_ms)
                self.keeper.flush()
                self.ledger.connection.execute("SELECT * FROM a_table_that_is_not_there")
        except sqlite3.OperationalError:
            self.keeper.forget()
        self.batch = []


class World:
    def __init__(self, folder: Path) -> None:
        self.now_ms = START_MS
        self.truth = Truth()
        self.queue: list[Any] = []
        self.inbound: list[tuple[tuple[str, int], str, int]] = []
        self.retained: tuple[tuple[str, int], str, int] | None = None
        self.retained_birth: Birth | None = None
        self.energies = self.starts = 0
        self.node = Node(self, "aa")
        self.host = Host(self, folder)

    def energy(self) -> int:
        """Return an energy that no other record has [mWh]."""
        self.energies += 1
        return 1_000 + 7 * self.energies

    def publish(self, mark: Mark, journal: str, upto: int) -> None:
        receipt = ((mark.ledger, mark.start), journal, upto)
        self.retained = receipt
        if self.node.link:
            self.inbound.append(receipt)

    def do(self, op: tuple[str, int]) -> None:
        name, number = op
        getattr(self, f"op_{name}")(number)

    # The ordinary course.
    def op_sample(self, _: int) -> None:
        self.node.sample()

    def op_send(self, _: int) -> None:
        self.node.send()

    def op_connect(self, _: int) -> None:
        self.node.connect()

    def op_deliver(self, _: int) -> None:
        if self.queue:
            self.host.batch.append(self.queue.pop(0))

    def op_commit(self, _: int) -> None:
        self.host.commit()

    def op_receipt(self, _: int) -> None:
        if self.inbound and self.node.link:
            self.node.receipt(*self.inbound.pop(0))

    def op_rewind(self, _: int) -> None:
        self.node.rewind()

    def op_live(self, _: int) -> None:
        self.node.live()

    def op_clock(self, _: int) -> None:
        self.node.clock = True

    def op_exchange(self, _: int) -> None:
        """A stretch in which everything works."""
        self.node.connect()
        for _ in range(WINDOW):
            self.node.send()
        while self.queue:
            self.op_deliver(0)
        self.host.commit()
        while self.inbound:
            self.op_receipt(0)

    # Faults.
    def op_down(self, number: int) -> None:
        self.node.link = False
        self.inbound.clear()
        del self.queue[len(self.queue) - number % 4 :]  # the last messages died on the way

    def op_dup(self, number: int) -> None:
        if self.queue:
            self.queue.append(self.queue[number % len(self.queue)])

    def op_drop(self, number: int) -> None:
        if self.queue:
            del self.queue[number % len(self.queue)]

    def op_reboot(self, _: int) -> None:
        self.node.reboot()

    def op_fold(self, _: int) -> None:
        self.node.fold()

    def op_fold_cut(self, _: int) -> None:
        self.node.fold(power_cut=True)
        self.node.reboot()

    def op_corrupt(self, number: int) -> None:
        self.node.corrupt(number)

    def op_spoil(self, _: int) -> None:
        self.node.sample(spoiled=True)

    def op_wipe(self, _: int) -> None:
        for held in self.node.items():
            self.node.lose(held)
        self.node.new_store()

    def op_amnesia(self, _: int) -> None:
        self.queue.clear()
        self.inbound.clear()
        self.retained = self.retained_birth = None
        self.host.batch = []
        self.node.link = False
        self.host.greet()  # it connects again before the node does

    def op_host_crash(self, _: int) -> None:
        self.host.crash()

    def op_host_dies_after_commit(self, _: int) -> None:
        self.host.commit(die=True)

    def op_commit_fails(self, _: int) -> None:
        self.host.roll_back_batch()

    def op_backup(self, _: int) -> None:
        self.host.backup = self.host.ledger.connection.serialize()

    def op_restore(self, _: int) -> None:
        if self.host.backup is not None:
            self.host.put_back(self.host.backup)

    def op_torn(self, number: int) -> None:
        if self.host.commits:
            back = 1 + number % len(self.host.commits)
            self.host.put_back(self.host.commits[-back])

    def op_new_ledger(self, _: int) -> None:
        self.host.put_back(None)

    def rest(self) -> None:
        """Let everything come to rest: the link is up, timers run, nothing more happens."""
        self.node.link = False
        self.node.connect()
        self.node.sample()
        for _ in range(60):
            self.node.connect()
            for _ in range(WINDOW + 1):
                self.node.send()
            while self.queue:
                self.op_deliver(0)
            self.host.commit()
            while self.inbound:
                self.op_receipt(0)
            if not self.node.pending():
                return
            self.node.rewind()
