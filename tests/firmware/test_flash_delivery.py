"""The journal in flash between the shipped node and the shipped host, in a faulty world: every joule is booked once.

Here a node that restarts is the same journal with another boot, and records are folded while they are on their way.
"""

from __future__ import annotations

import json
import os
from importlib import import_module
from typing import TYPE_CHECKING, Any

import pytest
from delivery_world import ENERGY, LAYOUT, NODE, PATIENCE_MS, RECORD_MS, SITE, Broker, Host, Node, World
from flash_bench import MemoryFiles, Plant, chance_of, make_blocks_small, open_journal, work
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test
from test_delivery_random import Histories

from wheelpit.contract import topics
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.packing import unpack_record
from wheelpit.store.tables import Layouts

if TYPE_CHECKING:
    from pathlib import Path

delivery: Any = import_module("node.delivery")
encode: Any = import_module("node.encode")
link_module: Any = import_module("node.link")
packets: Any = import_module("node.packets")
records: Any = import_module("node.records")

KIB = 3  # six small blocks: a few dozen records


class FlashNode(Node):
    """One boot of a node whose journal outlives it."""

    def __init__(self, world: FlashWorld) -> None:
        super().__init__(world)
        self.now = [0]
        plant = Plant()
        plant.layout = LAYOUT
        plant.chance = chance_of(len(world.files.files) + 1)
        self.journal = open_journal(world.files, plant, KIB, self.now, world.said)
        boot = self.journal.boot
        self.messages = link_module.Messages(SITE, NODE, self.journal.id, boot)
        self.messages.record = packets.Message(
            topics.from_node(SITE, NODE, "record"), qos=1, retain=False, size=900
        )
        encoder = encode.RecordEncoder(LAYOUT, self.journal.id, self.messages.record)
        self.delivery = delivery.Delivery(self.journal, encoder, self.clock, PATIENCE_MS)
        self.link._delivery = self.delivery
        self.link._messages = self.messages

    def live(self) -> Any:
        snapshot = records.Snapshot(LAYOUT)
        snapshot.up_ms = self.clock.up_ms()
        snapshot.at_ms = self.clock.unix_ms(snapshot.up_ms)
        snapshot.clock = self.clock.quality
        return encode.LiveEncoder(LAYOUT, self.journal.id, self.journal.boot, self.messages.live).fill(
            snapshot
        )

    def birth(self) -> dict[str, Any]:
        return {**super().birth(), "boot": self.journal.boot}

    def sample(self) -> None:
        """Cut a record, with an energy unlike that of any other, and do what is due on the flash."""
        self.world.now_ms += RECORD_MS
        self.n += 1
        self.energy += self.n + 1000 * self.world.boots
        up_ms = self.now[0] = self.clock.up_ms()
        total = [0] * len(LAYOUT.totals)
        total[ENERGY] = self.energy
        total[LAYOUT.totals.index("charge_valid_ms")] = up_ms
        rec = records.Rec(
            self.n, self.n, self.journal.boot, up_ms, RECORD_MS, RECORD_MS, self.clock.unix_ms(up_ms),
            self.clock.quality, "unknown", [12_500, -50], [12_400, -60], [12_600, 5], total, [None, None],
        )  # fmt: skip
        self.journal.append(rec)
        self.world.truth[self.journal.id, self.journal.newest] = self.energy
        work(self.journal)


class FlashWorld(World):
    """A world whose node has flash."""

    node: FlashNode

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.now_ms = 0
        self.boots = 0
        self.files = MemoryFiles()
        self.said: list[str] = []
        self.truth = {}
        self.broker = Broker(self)
        self.node = FlashNode(self)
        self.host = Host(self)

    def restart_node(self) -> None:
        self.disconnect_node(0)
        self.node = FlashNode(self)

    def check(self) -> None:
        """Compare the ledger with what happened, record by record, boot by boot."""
        db = self.host.ledger.connection
        layouts = Layouts(db)
        ((journal_id, name, head_seq),) = db.execute(
            "SELECT journal_id, journal, head_seq FROM journal"
        ).fetchall()
        assert name == self.node.journal.id
        booked: dict[int, int] = {}
        energy = boot = 0
        for seq, layout_id, body in db.execute(
            "SELECT seq, layout_id, body FROM record WHERE journal_id = ? ORDER BY seq", (journal_id,)
        ):
            layout = layouts.layout(layout_id)
            grown = unpack_record(layout, seq, body).totals[layout.totals.index("charge_mwh")]
            energy = grown if seq // SEQ_PER_BOOT != boot else energy + grown
            boot = seq // SEQ_PER_BOOT
            booked[seq] = energy
        assert booked == {seq: self.truth[name, seq] for seq in booked}
        refused = db.execute("SELECT first, last, kind FROM hole WHERE kind != 'gap'").fetchall()
        assert not refused
        assert db.execute("SELECT count(*) FROM dead_letter").fetchone() == (0,)
        assert self.held() <= booked.keys(), "the node holds what is not booked"
        holes: set[int] = set()
        for first, last in db.execute("SELECT first, last FROM hole WHERE journal_id = ?", (journal_id,)):
            holes.update(range(first, last + 1))
        assert not holes & booked.keys(), "a gap stands over what is booked"
        assert head_seq == self.node.journal.newest
        assert not self.said, self.said


class FlashHistories(Histories):
    """Histories of a node with flash; some of its minutes are long, so that records have to be folded."""

    def make_world(self) -> FlashWorld:
        return FlashWorld(self.folder)

    @rule(count=st.integers(min_value=10, max_value=60))
    def a_while_goes_by(self, count: int) -> None:
        for _ in range(count):
            self.world.node.sample()


# `make histories` lives through many times as many.
HISTORIES = int(os.environ.get("WHEELPIT_HISTORIES", "1"))
QUICK = settings(
    max_examples=25, stateful_step_count=30, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    make_blocks_small(monkeypatch)


def test_f07_f26_some_histories_of_a_node_with_flash() -> None:
    run_state_machine_as_test(FlashHistories, settings=QUICK)


@pytest.mark.slow
def test_f07_f26_many_histories_of_a_node_with_flash() -> None:
    run_state_machine_as_test(FlashHistories, settings=settings(QUICK, max_examples=40 * HISTORIES))


def test_f26_what_a_node_flushed_before_it_died_reaches_the_host_after_it_comes_back(tmp_path: Path) -> None:
    world = FlashWorld(tmp_path)
    for _ in range(8):
        world.node.sample()
    # When the seventh was made the first had waited for a minute and all seven were written; the eighth is lost.
    world.restart_node()
    world.come_to_rest()
    world.check()
    booked = world.host.ledger.connection.execute(
        "SELECT seq - ? FROM record WHERE seq < ? ORDER BY seq", (SEQ_PER_BOOT, 2 * SEQ_PER_BOOT)
    ).fetchall()
    assert booked == [(n,) for n in range(1, 8)]
    world.host.crash()


def test_records_of_an_earlier_boot_are_dated_only_if_they_carry_a_date(tmp_path: Path) -> None:
    world = FlashWorld(tmp_path)
    for _ in range(8):
        world.node.sample()  # without a clock
    world.connect_node()
    world.settle()
    assert world.node.clock.quality == "host"
    world.restart_node()
    for _ in range(2):
        world.node.sample()
    world.connect_node()
    world.settle()
    journal = world.node.journal
    world.node.delivery._sent = 0
    message = world.node.delivery.next_message(world.node.clock.up_ms())
    assert message is not None
    sent = json.loads(message.payload())["records"]
    assert {record["seq"] // SEQ_PER_BOOT for record in sent} >= {1}
    for record in sent:
        if record["seq"] < journal.boot * SEQ_PER_BOOT:
            assert (record["end_ms"], record["clock"]) == (None, "none")
    world.host.crash()
