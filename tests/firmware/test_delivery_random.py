"""Whatever is lost, doubled, forgotten or restarted: every joule is booked once, by identity.

Hypothesis leads the shipped node and host through random histories and shrinks a failing one.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from delivery_world import World
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

few = st.integers(min_value=1, max_value=6)


class Histories(RuleBasedStateMachine):
    """Operations on the world; each takes the world from any state to another."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="wheelpit-"))
        self.world = World(self.folder)
        self.backup: Path | None = None
        self.world.connect_node()
        self.world.settle()

    @rule(count=few)
    def measure_and_say(self, count: int) -> None:
        for _ in range(count):
            self.world.node.sample()
            if self.world.node.connected:
                self.world.node.say()

    @rule(count=few)
    def measure(self, count: int) -> None:
        for _ in range(count):
            self.world.node.sample()

    @rule()
    def connect(self) -> None:
        self.world.connect_node()

    @rule(count=few)
    @precondition(lambda self: self.world.node.connected)
    def node_says(self, count: int) -> None:
        for _ in range(count):
            self.world.node.say()

    @rule(count=few)
    @precondition(lambda self: self.world.node.inbox)
    def node_hears(self, count: int) -> None:
        for _ in range(min(count, len(self.world.node.inbox))):
            self.world.node.hear()

    @rule(count=few, dies=st.integers(min_value=0, max_value=7))
    @precondition(lambda self: self.world.host.running and self.world.broker.queue)
    def host_handles(self, count: int, dies: int) -> None:
        queue = self.world.broker.queue
        batch = queue[:count]
        del queue[:count]
        # One batch in eight is committed, but its receipts are never sent.
        self.world.host.handle([*batch], dies_after=dies == 7)

    @rule(seconds=st.integers(min_value=1, max_value=120))
    def time_passes(self, seconds: int) -> None:
        self.world.now_ms += seconds * 1000

    @rule()
    def everything_arrives(self) -> None:
        self.world.settle()

    @rule(lost=st.integers(min_value=0, max_value=4))
    @precondition(lambda self: self.world.node.connected)
    def link_breaks(self, lost: int) -> None:
        self.world.disconnect_node(lost)

    @rule(place=st.integers(min_value=0, max_value=5))
    @precondition(lambda self: self.world.broker.queue)
    def broker_drops(self, place: int) -> None:
        queue = self.world.broker.queue
        del queue[place % len(queue)]

    @rule(place=st.integers(min_value=0, max_value=5))
    @precondition(lambda self: self.world.broker.queue)
    def broker_delivers_twice(self, place: int) -> None:
        queue = self.world.broker.queue
        queue.append(queue[place % len(queue)])

    @rule(place=st.integers(min_value=0, max_value=5))
    @precondition(lambda self: self.world.node.inbox)
    def receipt_is_lost(self, place: int) -> None:
        inbox = self.world.node.inbox
        if inbox[place % len(inbox)][0].endswith("receipt"):
            del inbox[place % len(inbox)]

    @rule()
    def broker_forgets(self) -> None:
        self.world.forget_broker()

    @rule()
    def node_restarts(self) -> None:
        self.world.restart_node()

    @rule()
    @precondition(lambda self: self.world.host.running)
    def host_dies(self) -> None:
        self.world.host.crash()

    @rule()
    @precondition(lambda self: not self.world.host.running)
    def host_starts(self) -> None:
        self.world.host.start()

    @rule()
    @precondition(lambda self: self.world.host.running and self.world.host.connected)
    def host_loses_the_broker(self) -> None:
        self.world.host.disconnect()

    @rule()
    @precondition(lambda self: self.world.host.running and not self.world.host.connected)
    def host_finds_the_broker(self) -> None:
        self.world.host.connect()

    @rule()
    @precondition(lambda self: self.world.host.before_last is not None)
    def card_loses_the_last_commit(self) -> None:
        assert self.world.host.before_last is not None
        self.world.host.put_back(self.world.host.before_last)
        self.world.host.before_last = None

    @rule()
    @precondition(lambda self: self.world.host.running)
    def backup_is_made(self) -> None:
        self.backup = self.world.host.copy("backup.db")

    @rule()
    @precondition(lambda self: self.backup is not None)
    def backup_is_restored(self) -> None:
        assert self.backup is not None
        self.world.host.put_back(self.backup)

    def teardown(self) -> None:
        try:
            self.world.come_to_rest()
            self.world.check()
        finally:
            if self.world.host.running:
                self.world.host.crash()
            shutil.rmtree(self.folder)


Histories.TestCase.settings = settings(
    max_examples=60,
    stateful_step_count=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
test_random_histories = Histories.TestCase
