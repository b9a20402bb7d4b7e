"""The delivery protocol from node to ledger under faults: every joule is booked once, by identity.

A model of a node obeys the protocol (numbers, window, rewinds, folds, receipts of one mark at a time); a model of
a broker loses, doubles and forgets; the host's side is the shipped ledger and booking. A history is a list of
operations, so a failing one shrinks. After it everything is let come to rest, and then: each row of the ledger
holds exactly the sum of the records it stands for, each of which has a different energy; no row and no gap stands
for what is still at the node; roll-ups are the exact sum of the rows.
"""

from __future__ import annotations

import itertools
import random
import shutil
import sqlite3
import tempfile
from collections import Counter, deque
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wheelpit.contract.messages import Birth, Live, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store import booking
from wheelpit.store.booking import BadRecord, Sent
from wheelpit.store.bookkeeper import Bookkeeper
from wheelpit.store.ledger import Ledger, Mark
from wheelpit.store.packing import Layout, Stored, Sums, unpack_record, unpack_sums

if TYPE_CHECKING:
    from collections.abc import Iterator

PER_MESSAGE = 2
WINDOW = 3
RING = 12
FOLD = 3
RECORD_MS = 10_000
START_MS = 1_774_700_000_000  # the evening before clocks change in Europe/London: days of 24 and 23 hours
ZONE = "Europe/London"


@dataclass(frozen=True)
class Held:
    """A record at the node: what it covers, its totals since boot, whether its contents are spoiled."""

    first: int
    seq: int
    up_ms: int
    span_ms: int
    total: int
    spoiled: bool = False


@dataclass
class Truth:
    """What really happened: per store and number the energy of one record, and what the node lost for ever."""

    energy: dict[tuple[str, int], int] = field(default_factory=dict)
    up_ms: dict[tuple[str, int], int] = field(default_factory=dict)
    boot_ms: dict[tuple[str, int], int] = field(default_factory=dict)
    lost: set[tuple[str, int]] = field(default_factory=set)
    spoiled: set[tuple[str, int]] = field(default_factory=set)


class Node:
    def __init__(self, world: World, chip: str) -> None:
        self.world, self.chip = world, chip
        self.journals = 0
        self.new_store()

    def new_store(self) -> None:
        self.journals += 1
        self.journal = f"{self.chip}{self.journals:014x}"
        self.flash: list[Held] = []
        self.boot = 0
        self.start()

    def start(self) -> None:
        self.boot += 1
        self.n = self.up_ms = self.total = 0
        self.ram: list[Held] = []
        self.world.now_ms += 7_000
        self.started_ms = self.world.now_ms
        self.world.truth.boot_ms[self.journal, self.boot] = self.started_ms
        self.clock = False
        self.link = False
        self.mark: tuple[str, int] | None = None
        self.upto = 0
        self.sent = 0
        self.still = 0

    def items(self) -> list[Held]:
        return self.flash + self.ram

    def pending(self) -> list[Held]:
        return [held for held in self.items() if held.seq > self.upto]

    def sample(self, *, spoiled: bool = False) -> None:
        self.n += 1
        self.up_ms += RECORD_MS
        self.world.now_ms += RECORD_MS
        energy = self.world.energy()
        self.total += energy
        seq = self.boot * SEQ_PER_BOOT + self.n
        key = (self.journal, seq)
        self.world.truth.energy[key] = energy
        self.world.truth.up_ms[key] = self.up_ms
        if spoiled:
            self.world.truth.spoiled.add(key)
        self.ram.append(Held(seq, seq, self.up_ms, RECORD_MS, self.total, spoiled))
        if len(self.ram) >= 3:
            self.flash += self.ram
            self.ram = []
            while len(self.flash) > RING:
                self.make_room()

    def make_room(self) -> None:
        if not self.fold():
            self.lose(self.flash.pop(0))

    def fold(self, *, power_cut: bool = False) -> bool:
        """Join neighbours of one boot with no hole between them; a power cut leaves the fine ones as well."""
        for at in range(len(self.flash) - FOLD + 1):
            group = self.flash[at : at + FOLD]
            joined = all(a.seq + 1 == b.first for a, b in itertools.pairwise(group))
            if joined and len({held.seq // SEQ_PER_BOOT for held in group}) == 1:
                if any(held.spoiled for held in group):
                    self.world.truth.spoiled |= {
                        (self.journal, seq) for held in group for seq in range(held.first, held.seq + 1)
                    }
                wide = replace(
                    group[-1],
                    first=group[0].first,
                    span_ms=sum(held.span_ms for held in group),
                    spoiled=any(held.spoiled for held in group),
                )
                self.flash[at : at + (0 if power_cut else FOLD)] = [wide]
                return True
        return False

    def lose(self, held: Held) -> None:
        for seq in range(held.first, held.seq + 1):
            self.world.truth.lost.add((self.journal, seq))

    def reboot(self) -> None:
        for held in self.ram:
            self.lose(held)
        self.flash = [
            held
            for held in self.flash
            if not any(o.first <= held.first and held.seq <= o.seq and o != held for o in self.flash)
        ]
        self.start()

    def corrupt(self, which: int) -> None:
        if self.flash:
            self.lose(self.flash.pop(which % len(self.flash)))

    def connect(self) -> None:
        if not self.link:
            self.link = True
            self.sent = self.upto
            self.world.inbound.clear()
            if self.world.retained is not None:
                self.world.inbound.append(self.world.retained)
            self.birth()

    def birth(self) -> None:
        items = self.items()
        newest = max((held.seq for held in items), default=0)
        birth = Birth(
            journal=self.journal,
            boot=self.boot,
            chip=self.chip,
            oldest=min((held.first for held in items), default=0),
            newest=newest,
            firmware="model",
            interpreter="none",
            board="model",
            reset="power",
            record_s=10,
            channels={},
            totals=["charge_mwh"],
            capacity=RING,
            held=len(items),
        )
        self.world.queue.append(birth)
        self.world.retained_birth = birth

    def send(self) -> None:
        in_flight = [held for held in self.pending() if held.seq <= self.sent]
        to_send = [held for held in self.pending() if held.seq > self.sent]
        if not self.link or not to_send or len(in_flight) >= WINDOW * PER_MESSAGE:
            return
        batch = to_send[:PER_MESSAGE]
        after = max((held.seq for held in self.items() if held.seq < batch[0].seq), default=0)
        self.world.queue.append(Sent(self.journal, after, [self.wire(held) for held in batch]))
        self.sent = batch[-1].seq

    def wire(self, held: Held) -> Record | BadRecord:
        if held.spoiled:
            return BadRecord(held.seq, held.first, "spoiled", b"?")
        boot = held.seq // SEQ_PER_BOOT
        dated = self.clock and boot == self.boot
        return Record(
            seq=held.seq,
            first=held.first,
            up_ms=held.up_ms,
            dur_ms=held.span_ms,
            span_ms=held.span_ms,
            end_ms=self.started_ms + held.up_ms if dated else None,
            clock="host" if dated else "none",
            state="turning",
            mean={"battery_v": 12.5},
            min={"battery_v": 12.0},
            max={"battery_v": 13.0},
            total={"charge_mwh": held.total, "charge_valid_ms": held.up_ms},
        )

    def live(self) -> None:
        if self.link:
            live = Live(
                journal=self.journal,
                boot=self.boot,
                up_ms=self.up_ms,
                at_ms=None,
                clock="none",
                state="turning",
                edge_age_ms=None,
                edge_gap_ms=None,
                values={},
            )
            self.world.queue.append((live, self.world.now_ms))  # it is of use only if it comes at once

    def receipt(self, mark: tuple[str, int], journal: str, upto: int) -> None:
        if mark != self.mark:
            self.mark, self.upto = mark, 0
            self.birth()
            self.advance(journal, upto)
            self.sent = self.upto
            return
        before = self.upto
        self.advance(journal, upto)
        in_flight = any(held.seq <= self.sent for held in self.pending())
        self.still = self.still + 1 if self.upto == before and in_flight else 0
        if self.still == 2:
            self.rewind()

    def advance(self, journal: str, upto: int) -> None:
        newest = max((held.seq for held in self.items()), default=0)
        if journal == self.journal and upto <= max(newest, self.boot * SEQ_PER_BOOT + self.n):
            self.upto = max(self.upto, upto)

    def rewind(self) -> None:
        self.sent, self.still = self.upto, 0


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

    # What must hold.
    def check(self) -> None:
        assert not self.node.pending(), "the node still holds records that the host does not take"
        db = self.host.ledger.connection
        layouts = {
            number: Layout(tuple(channels.split()), tuple(totals.split()))
            for number, channels, totals in db.execute("SELECT layout_id, channels, totals FROM layout")
        }
        rows: dict[str, list[tuple[Layout, Stored, int | None]]] = {}
        for journal, seq, layout_id, end_ms, body in db.execute(
            "SELECT journal, seq, layout_id, end_ms, body FROM record JOIN journal USING (journal_id) "
            "ORDER BY journal, seq"
        ):
            layout = layouts[layout_id]
            rows.setdefault(journal, []).append((layout, unpack_record(layout, seq, body), end_ms))
        self.check_rows(rows)
        self.check_rollups(db, layouts, [row for found in rows.values() for row in found])
        self.check_holes(db)
        tallies = dict(db.execute("SELECT name, amount FROM tally"))
        assert not {"conflicts", "disputes", "messages_in_dispute"} & tallies.keys()

    def check_rows(self, rows: dict[str, list[tuple[Layout, Stored, int | None]]]) -> None:
        booked_to: dict[tuple[str, int], int] = {}
        for journal, found in rows.items():
            for layout, row, end_ms in found:
                boot = row.seq // SEQ_PER_BOOT
                before = booked_to.get((journal, boot), boot * SEQ_PER_BOOT)
                stood_for = [self.truth.energy[journal, seq] for seq in range(before + 1, row.seq + 1)]
                totals = dict(zip(layout.totals, row.totals, strict=True))
                assert totals["charge_mwh"] == sum(stood_for), (journal, row)
                assert totals["charge_valid_ms"] == row.row_ms == RECORD_MS * len(stood_for)
                if end_ms is not None:
                    assert end_ms == self.truth.boot_ms[journal, boot] + self.truth.up_ms[journal, row.seq]
                booked_to[journal, boot] = row.seq
        for journal, seq in self.truth.energy:
            if seq > booked_to.get((journal, seq // SEQ_PER_BOOT), 0):
                gone = (journal, seq) in self.truth.lost | self.truth.spoiled
                assert gone, f"{seq} of {journal} was never booked, and the node had not lost it"

    def check_rollups(
        self,
        db: sqlite3.Connection,
        layouts: dict[int, Layout],
        rows: list[tuple[Layout, Stored, int | None]],
    ) -> None:
        dated, undated = Counter[str](), Counter[str]()
        weights = 0
        for layout, row, end_ms in rows:
            (undated if end_ms is None else dated).update(dict(zip(layout.totals, row.totals, strict=True)))
            if end_ms is not None:
                weights += min(row.dur_ms, row.row_ms - row.clip_ms)
        for table in ("bucket", "day"):
            whole = Sums()
            rows_of = f"SELECT layout_id, body FROM {table}"  # noqa: S608 - our own two names
            for layout_id, body in db.execute(rows_of):
                whole.add(unpack_sums(layouts[layout_id], body))
            assert Counter(whole.totals) == dated, table
            assert whole.records == sum(end_ms is not None for _, _, end_ms in rows)
            if weights:
                assert whole.channels["battery_v"][:2] == [weights, 12_500 * weights]
        told = dict(
            db.execute("SELECT total, sum(amount) FROM undated GROUP BY total HAVING sum(amount) <> 0")
        )
        assert told == {name: amount for name, amount in undated.items() if amount}

    def check_holes(self, db: sqlite3.Connection) -> None:
        held = [(self.node.journal, item.first, item.seq) for item in self.node.items()]
        for journal, first, last, kind in db.execute(
            "SELECT journal, first, last, kind FROM hole JOIN journal USING (journal_id)"
        ):
            assert first // SEQ_PER_BOOT == last // SEQ_PER_BOOT
            for name, low, high in held:
                if kind == "gap":
                    assert not (name == journal and low <= last and first <= high), "a gap over a held record"
            for seq in range(first, last + 1):
                key = (journal, seq)
                if kind == "refused":
                    continue
                assert key in self.truth.lost, f"{seq} was declared a gap and the node had not lost it"


COURSE = [
    *["sample"] * 10,
    *["send"] * 6,
    *["deliver"] * 6,
    *["commit"] * 3,
    *["receipt"] * 4,
    *["exchange"] * 4,
    *["connect", "rewind", "live", "clock"],
]
FAULTS = {
    "link": ["down", "down"],
    "double": ["dup", "dup"],
    "dropped": ["drop", "drop"],
    "reboot": ["reboot", "reboot"],
    "fold": ["fold", "fold", "fold"],
    "fold_cut": ["fold_cut", "fold"],
    "corrupt": ["corrupt", "corrupt"],
    "spoil": ["spoil", "spoil"],
    "wipe": ["wipe"],
    "amnesia": ["amnesia"],
    "host": ["host_crash", "host_dies_after_commit", "commit_fails"],
    "restore": ["backup", "restore"],
    "torn": ["torn"],
    "new_ledger": ["new_ledger"],
}
# The faults that brought out most in the protocol's own model, together with each of the others.
PAIRS = [(a, b) for a in ("reboot", "torn", "restore", "corrupt") for b in FAULTS if a != b]


@contextmanager
def world() -> Iterator[World]:
    folder = Path(tempfile.mkdtemp(prefix="wheelpit-delivery-"))
    made = World(folder)
    try:
        yield made
    finally:
        made.host.ledger.close()
        shutil.rmtree(folder)


def live_through(history: list[tuple[str, int]]) -> None:
    with world() as made:
        made.do(("connect", 0))
        for op in history:
            made.do(op)
        made.rest()
        made.check()


def histories(faults: tuple[str, ...], most: int) -> st.SearchStrategy[list[tuple[str, int]]]:
    names = COURSE + [op for fault in faults for op in FAULTS[fault]]
    return st.lists(st.tuples(st.sampled_from(names), st.integers(0, 7)), min_size=20, max_size=most)


def random_history(faults: tuple[str, ...], seed: int, length: int = 120) -> list[tuple[str, int]]:
    rng = random.Random(seed)  # noqa: S311 - histories, not secrets
    names = COURSE + [op for fault in faults for op in FAULTS[fault]]
    history: list[tuple[str, int]] = []
    for _ in range(length):
        if rng.random() < 0.03:  # an outage long enough for the ring to overflow
            history.append(("down", rng.randrange(4)))
            history += [("sample", 0)] * rng.randrange(4, 30)
        history.append((rng.choice(names), rng.randrange(8)))
    return history


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_alone(fault: str) -> None:
    @settings(max_examples=8, deadline=None)
    @given(histories((fault,), 90))
    def holds(history: list[tuple[str, int]]) -> None:
        live_through(history)

    holds()
    for seed in range(6):
        live_through(random_history((fault,), seed))


def test_all_faults_together() -> None:
    @settings(max_examples=25, deadline=None)
    @given(histories(tuple(FAULTS), 120))
    def holds(history: list[tuple[str, int]]) -> None:
        live_through(history)

    holds()
    for seed in range(25):
        live_through(random_history(tuple(FAULTS), seed))


@pytest.mark.slow
@pytest.mark.parametrize("faults", PAIRS, ids="+".join)
def test_pairs_of_faults(faults: tuple[str, str]) -> None:
    for seed in range(60):
        live_through(random_history(faults, seed))


def _books_across_holes(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    return TRUE_TAKE(head, min(prev, head.seq), record, **kept)


def _waits_for_spoiled(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    return booking.Disbelieved(decision.reason) if isinstance(decision, booking.Refused) else decision


def _forgets_boots(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    if isinstance(decision, booking.Booked) and record.boot != head.booked_seq // SEQ_PER_BOOT:
        decision.stored.totals = [
            total - head.totals.get(name, 0)
            for name, total in zip(decision.layout.totals, decision.stored.totals, strict=True)
        ]
    return decision


def _books_own_part_only(head: booking.Head, prev: int, record: Any, **kept: Any) -> booking.Decision:
    decision = TRUE_TAKE(head, prev, record, **kept)
    if isinstance(decision, booking.Booked) and decision.stored.row_ms != record.span_ms:
        decision.stored.totals = [
            total * record.span_ms // decision.stored.row_ms for total in decision.stored.totals
        ]
    return decision


TRUE_TAKE = booking.take
MUTANTS = {
    "books although a message is missing": (_books_across_holes, ("link", "dropped", "reboot")),
    "does not account for a refused record": (_waits_for_spoiled, ("spoil",)),
    "takes differences across a boot": (_forgets_boots, ("reboot",)),
    "books the record's own interval only": (_books_own_part_only, ("corrupt", "fold")),
}


@pytest.mark.parametrize("name", MUTANTS)
def test_a_broken_rule_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    rule, faults = MUTANTS[name]
    monkeypatch.setattr(booking, "take", rule)
    assert _some_history_fails(faults)


def test_a_mark_that_stays_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    def same(self: Ledger, now_ms: int) -> Mark:
        return Mark("0" * 16, 1)

    monkeypatch.setattr(Ledger, "begin_start", same)
    assert _some_history_fails(("torn", "restore", "new_ledger", "link"))


def test_memory_that_outlives_a_failed_commit_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Bookkeeper, "forget", lambda self: None)
    assert _some_history_fails(("host",))


def _some_history_fails(faults: tuple[str, ...]) -> bool:
    for seed in range(60):
        try:
            live_through(random_history(faults, seed))
        except (AssertionError, sqlite3.IntegrityError):
            return True
    return False
